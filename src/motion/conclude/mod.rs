//! Conclude: deflections, hinges and their covariance from the last state.

pub(super) mod at_neutral;
pub(super) mod corner_errors;
pub(super) mod result;
pub(super) mod weak_geometry;
