//! Responses: the output of this stage.

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::level::LevelZero;
use crate::measured::Measured;
use crate::motion::TagsAtNeutral;
use crate::stations::Approach;

/// One surface's deflection at one hold, or where a slow sweep passes a station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationDeflection {
    /// Stick position.
    pub stick_pct: f64,
    /// The way the stick came.
    pub approach: Approach,
    /// First and last time of the settled frames used.
    pub time_s: [f64; 2],
    /// Number of frames used.
    pub frames: usize,
    /// Deflection from neutral.
    pub deflection_deg: Measured,
    /// Straight-line travel of the trailing edge, signed like the deflection, where a chord is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub throw_mm: Option<Measured>,
    /// Reading of an inclinometer placed fore-and-aft on the surface, if the airframe's directions
    /// are known.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub inclinometer_deg: Option<Measured>,
    /// Position of the hold or passage in time, from 0, the same for all surfaces.
    pub hold: usize,
}

/// How well a surface follows its command.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Health {
    /// Band in which the surface can rest for one command: falling minus rising in the sense of
    /// the stick, averaged over the stations; positive where the surface trails its command.
    pub play_deg: Option<Measured>,
    /// Largest difference between the visits to neutral.
    pub return_to_neutral_deg: Option<Measured>,
    /// Where the surface rests at neutral after the stick came rising, from the mean of all visits.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub neutral_after_rising_deg: Option<Measured>,
    /// The same after the stick came falling.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub neutral_after_falling_deg: Option<Measured>,
    /// Standard deviation of the deflection within holds, beyond the measurement's own noise.
    pub jitter_deg: Option<Measured>,
    /// Ends where the surface rests while the command goes on.
    pub early_stop: Vec<EarlyStop>,
}

/// A surface that stopped before its servo did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EarlyStop {
    /// The station from which on the surface rests.
    pub stick_pct: f64,
    /// Deflection at which it rests.
    pub deflection_deg: Measured,
}

/// One surface's response.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Name of the surface.
    pub surface: String,
    /// In time, holds at which the surface was measured.
    pub stations: Vec<StationDeflection>,
    /// Play, return to neutral, jitter, early stop.
    pub health: Health,
}

/// How one side of a match group follows the other in time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SideLag {
    /// Surface that is left alone.
    pub reference: String,
    /// Surface that is adjusted.
    pub follower: String,
    /// How much later the follower moves; negative where it moves first.
    pub lag_s: Measured,
    /// Difference while moving after removal of the lag: uneven motion of either side, root mean
    /// square beyond the measurement's own noise.
    pub uneven_deg: f64,
    /// Its expanded uncertainty (k = 2); missing in files of earlier programs.
    #[serde(default)]
    pub uneven_u_deg: Option<f64>,
}

/// Output of the response stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Responses {
    /// In the order of the model file.
    pub surfaces: Vec<Response>,
    /// Joint covariance of all station deflections, deg²; rows run over the surfaces in order and
    /// within a surface over its stations.
    pub covariance_deg2: DMatrix<f64>,
    /// One entry a follower, in the order of the model file, where both sides were seen moving.
    pub lags: Vec<SideLag>,
    /// Places of the tags with the surfaces at neutral, if the fit determines them.
    pub neutral: Option<TagsAtNeutral>,
    /// The neutrals against each other, where a position was shown in which all are level.
    pub level: Option<LevelZero>,
}
