//! Hold: a time span in which the stick rested at a station.

use serde::{Deserialize, Serialize};

use crate::response_model::{AFTER_FALLING, AFTER_RISING};

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

impl Approach {
    /// Side of the play on which a surface rests: −1 after a rising stick, +1 after a falling one, 0 where not known.
    pub(crate) fn side_of_play(self) -> f64 {
        match self {
            Self::Rising => AFTER_RISING,
            Self::Falling => AFTER_FALLING,
            Self::First => 0.0,
        }
    }
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
