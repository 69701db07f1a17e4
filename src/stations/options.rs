//! HoldOptions: the times that decide which frames belong to a hold.

/// How holds are found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldOptions {
    /// Time after the arrival at a station that is left out: servo lag, ringing, creep.
    pub settle_s: f64,
    /// Time before the departure to the next station that is left out: the stick already moves.
    pub guard_s: f64,
    /// Shortest time of rest that counts as a hold.
    pub shortest_rest_s: f64,
}

impl Default for HoldOptions {
    /// Times that suit a stick moved by hand and common servos; common practice, no source.
    fn default() -> Self {
        Self {
            settle_s: 0.2,
            guard_s: 0.08,
            shortest_rest_s: 0.2,
        }
    }
}
