//! Select: which sightings count and by how much, and which optional unknowns are significant.

pub(super) mod at_rest;
pub(super) mod correlated_errors;
pub(super) mod marginal;
pub(super) mod outliers;
pub(super) mod scatter;
pub(super) mod significance;
