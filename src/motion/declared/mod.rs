//! Declared: the declarations of the model file against the clip.

pub(super) mod airframe_check;
pub(super) mod declaration;
pub(super) mod declared_fit;
pub(super) mod edge_check;
pub(super) mod profile_check;
pub(super) mod ruler_check;
pub(super) mod sides;
