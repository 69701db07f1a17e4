//! Matching: the numbers that make a follower move like its reference, and what will remain.

use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::model_file::Settings;

/// A mismatch at a station: follower minus reference, after mirroring for opposite motion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationMismatch {
    /// Stick position.
    pub stick_pct: f64,
    /// Mismatch.
    #[serde(flatten)]
    pub mismatch_deg: Measured,
}

/// What will remain after the correction is entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// Largest |mismatch| over the whole travel, degrees.
    pub worst: f64,
    /// Root mean square over the whole travel, degrees.
    pub rms: f64,
    /// Expanded uncertainty (k = 2) of the worst mismatch, degrees.
    pub u: f64,
    /// By station.
    pub stations: Vec<StationMismatch>,
}

/// The numbers to enter for one follower, and what they do.
///
/// It is kept in `measurement.json` under the names that stand in the `rename`s.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Surface that is left alone.
    pub reference: String,
    /// Surface whose servo gets the numbers.
    pub follower: String,
    /// Mismatch as found, by station, both directions of approach averaged.
    #[serde(rename = "mismatch_deg")]
    pub found_deg: Vec<StationMismatch>,
    /// All numbers of the follower's servo, those already active included.
    #[serde(rename = "correction")]
    pub settings: Settings,
    /// What will remain.
    pub predicted_deg: Prediction,
}
