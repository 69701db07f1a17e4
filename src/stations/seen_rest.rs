//! SeenRest: when all surfaces rested, and where.

/// A rest as it was seen, for messages.
#[derive(Debug, Clone, PartialEq)]
pub struct SeenRest {
    /// First and last time of the rest.
    pub time_s: [f64; 2],
    /// Median deflection by surface from an arbitrary zero; `None` where it was not measured.
    pub deflection_deg: Vec<Option<f64>>,
}
