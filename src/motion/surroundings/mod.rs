//! Surroundings: landmarks that are fixed to the ground join the fit.

pub(super) mod bridging;
pub(super) mod join;
pub(super) mod picture_scatter;
pub(super) mod weighing;
