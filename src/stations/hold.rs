//! Hold: a time span in which the stick rested at a station.

use serde::{Deserialize, Serialize};

/// The way the stick came to a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Approach {
    /// From a lower stick position.
    Rising,
    /// From a higher stick position.
    Falling,
    /// The clip's first hold: not known.
    First,
}

/// A time span in which the stick rested at a station.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// Stick position.
    pub stick_pct: f64,
    /// The way the stick came.
    pub approach: Approach,
    /// Positions in `Motion::frames` of the settled frames, rising.
    pub frames: Vec<usize>,
    /// First and last time of the settled frames.
    pub time_s: [f64; 2],
}
