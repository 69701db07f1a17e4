//! Stations: tells which frames belong to which hold at which stick position.

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

/// All holds in time, and the frames that define neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct Holds {
    /// In time.
    pub holds: Vec<Hold>,
    /// Positions in `Motion::frames` of all settled frames at stick 0, or of the declared span.
    pub neutral_frames: Vec<usize>,
    /// Stick position of every frame of `Motion::frames`, where known.
    pub stick_pct: Vec<Option<f64>>,
}
