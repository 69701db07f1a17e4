//! The kept record of one measurement: `measurement.json`.
//!
//! It holds everything that later work on the same clip needs, so that matching with another
//! radio, comparing with another clip and drawing the report never ask for the clip again.

mod assemble;
mod covariance_text;
mod entered;
mod error;
mod frames;
mod functions;
mod neutral;
mod read;
mod rounding;
mod tidy_json;

#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod tests;

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use crate::matching::Correction;
use crate::measured::Measured;
use crate::model_file::{AirframeTag, MatchGroup, Radio, Settings, Side};
use crate::response::{Health, LevelZero, Response, Responses, SideLag, StationDeflection};
use crate::stations::LogTiming;
use crate::warning::WarningText;

pub(crate) use assemble::shown_for_s;
pub use assemble::{Stages, program};
pub use entered::{EnteredError, EnteredSet};
pub use error::MeasurementError;
pub use frames::{FrameRow, frame_rows};
pub use functions::{FunctionRecord, NotMeasured};
pub use neutral::{NeutralRecord, PlacedHingeRecord, PlacedTagRecord};
pub(crate) use rounding::rounded_for_files;

/// The file in the folder that `measure` writes.
pub const FILE_NAME: &str = "measurement.json";

/// Value of the field `format` of the file.
pub const FORMAT: &str = "hingewise.measurement";

/// Version of the file format: raised when a field changes its meaning.
pub const VERSION: u32 = 1;

/// One measurement, as kept in `measurement.json`.
///
/// Fields that are not in every file of this version have a default, so that files stay readable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// Always [`FORMAT`].
    pub format: String,
    /// Always [`VERSION`].
    pub version: u32,
    /// Program and version that wrote the file.
    #[serde(default)]
    pub program: String,
    /// Day of the measurement, `YYYY-MM-DD`, where it is known.
    #[serde(default)]
    pub date: Option<String>,
    /// The aircraft's name.
    #[serde(default)]
    pub model: String,
    /// Where the frames came from; missing for a clip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
    /// The clip that was measured.
    pub clip: ClipRecord,
    /// The camera that took it.
    pub camera: CameraRecord,
    /// Tags on parts that do not move.
    #[serde(default)]
    pub airframe_tags: Vec<AirframeTag>,
    /// How well the joint fit explains the corners.
    #[serde(default)]
    pub fit: FitRecord,
    /// The functions that the clip shows; empty where the model file declares none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub functions: Vec<FunctionRecord>,
    /// In the order of the model file, function by function.
    pub surfaces: Vec<SurfaceRecord>,
    /// Declared surfaces that the clip does not measure, in the order of the model file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_measured: Vec<NotMeasured>,
    /// How the sides of each match group follow each other in time.
    #[serde(default)]
    pub lags: Vec<SideLag>,
    /// Alignment of the stick log in the clip's time, if there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stick_log: Option<LogTiming>,
    /// Joint covariance of all station deflections, row by row, in the order of [`Responses`];
    /// empty where only the single uncertainties are known.
    #[serde(default, with = "covariance_text")]
    pub station_covariance_deg2: Vec<Vec<f64>>,
    /// Places of the tags with the surfaces at neutral; missing in files of earlier programs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub neutral: Option<NeutralRecord>,
    /// The neutrals against each other, where a level zero says it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level_zero: Option<LevelZero>,
    /// Which surfaces are to move alike.
    #[serde(default)]
    pub groups: Vec<MatchGroup>,
    /// Limits of the radio, and the numbers that were entered during the clip.
    #[serde(default)]
    pub radio: Option<Radio>,
    /// One entry a follower.
    #[serde(default)]
    pub matches: Vec<Correction>,
    /// Warnings about the result.
    #[serde(default)]
    pub warnings: Vec<WarningText>,
    /// Deflections over time, thinned for drawing; `frames.csv` has them all.
    #[serde(default)]
    pub trace: Trace,
}

/// Where the frames of a measurement came from, if not from a clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// From a camera, frame by frame.
    Live,
}

/// The clip that was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipRecord {
    /// Video file or folder of stills, as it was named.
    pub path: String,
    /// Number of frames read.
    pub frames: usize,
    /// From the first frame to the end of the last.
    pub duration_s: f64,
    /// Width of the upright picture.
    pub width_px: usize,
    /// Height of the upright picture.
    pub height_px: usize,
}

/// The camera that took the clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraRecord {
    /// Name of the profile.
    pub profile: String,
    /// Whether it moved against the airframe.
    pub moved: bool,
    /// RMS reprojection error of its calibration, where known.
    #[serde(default)]
    pub calibration_rms_px: Option<f64>,
    /// Number of views of its calibration, where known.
    #[serde(default)]
    pub calibration_views: Option<usize>,
    /// Background points that helped to recover the camera motion.
    #[serde(default)]
    pub landmarks: usize,
    /// How far its stabiliser and its focus moved the picture. Missing where nothing did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub picture_motion: Option<PictureMotionRecord>,
    /// Readout time of each picture, from the first line to the last, ms; negative where the last
    /// was read first. Missing where it is not significant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readout_ms: Option<Measured>,
}

/// How far a picture moved against its lens: standard deviations over the clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PictureMotionRecord {
    /// Shift, both directions together.
    pub shift_px: f64,
    /// Enlargement.
    pub growth_pct: f64,
}

/// How well the joint fit explains the corners.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FitRecord {
    /// RMS reprojection residual, where known.
    pub reprojection_rms_px: Option<f64>,
    /// The same as the tags' size and sharpness in the picture allow at most, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub allowed_rms_px: Option<f64>,
}

impl FitRecord {
    /// Residuals up to this multiple of the expected noise are good: 1.2 to 1.4 times on clips from
    /// a tripod and 1.4 to 2.0 hand-held, with known truth; wrong profiles make it 1.9 to 7.
    pub const GOOD_TIMES: f64 = 2.5;

    /// Residuals relative to the noise expected from size and sharpness of the tags.
    pub fn times_allowed(&self) -> Option<f64> {
        Some(self.reprojection_rms_px? / self.allowed_rms_px.filter(|px| *px > 0.0)?)
    }
}

/// One surface: its declaration, its hinge, its deflections, its health.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SurfaceRecord {
    /// Name, unique in the file.
    pub name: String,
    /// Id of its tag.
    pub tag: u32,
    /// Where it sits.
    #[serde(default)]
    pub side: Option<Side>,
    /// Upright: positive is trailing edge left.
    #[serde(default)]
    pub upright: bool,
    /// Outer edge of its tag's black square.
    #[serde(default)]
    pub edge_mm: Option<f64>,
    /// Hinge line to trailing edge.
    #[serde(default)]
    pub chord_mm: Option<f64>,
    /// Number of frames in which it was measured.
    #[serde(default)]
    pub frames_measured: usize,
    /// The hinge in the camera frame of the first frame used.
    pub hinge: HingeRecord,
    /// One entry a hold, in time.
    pub stations: Vec<StationDeflection>,
    /// Play, return to neutral, jitter, early stop.
    pub health: Health,
}

/// A hinge in the camera frame of the first frame used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HingeRecord {
    /// Direction; a right-handed turn about it is a positive deflection.
    pub axis: [f64; 3],
    /// The point of the hinge line next to the tag.
    pub point_mm: [f64; 3],
    /// Hinge line to the tag's centre.
    pub radius_mm: Measured,
    /// Direction from that point to the tag's centre at neutral, where known.
    #[serde(default)]
    pub arm: Option<[f64; 3]>,
}

/// Deflections over time, thinned for drawing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// Times, rising.
    pub time_s: Vec<f64>,
    /// One row a surface, one entry a time; nothing where it was not measured.
    pub deflection_deg: Vec<Vec<Option<f64>>>,
}

impl SurfaceRecord {
    /// The stations with the highest and the lowest deflection; `None` without stations.
    pub fn ends(&self) -> Option<[&StationDeflection; 2]> {
        let value = |station: &StationDeflection| station.deflection_deg.value;
        let by_value =
            |a: &&StationDeflection, b: &&StationDeflection| value(a).total_cmp(&value(b));
        let highest = self.stations.iter().max_by(by_value)?;
        let lowest = self.stations.iter().min_by(by_value)?;
        Some([highest, lowest])
    }
}

impl Measurement {
    /// Whether a warning says that the figures may be wrong, not only less sure.
    pub fn has_grave_warning(&self) -> bool {
        self.warnings.iter().any(|warning| warning.grave)
    }

    /// The record of a surface, by name.
    pub fn surface(&self, name: &str) -> Option<&SurfaceRecord> {
        self.surfaces.iter().find(|surface| surface.name == name)
    }

    /// The match group in which a follower is adjusted to a reference.
    pub fn group(&self, reference: &str, follower: &str) -> Option<&MatchGroup> {
        self.groups.iter().find(|group| {
            group.reference == reference && group.followers.iter().any(|name| name == follower)
        })
    }

    /// The largest accepted mismatch of a correction's match group, where it was declared.
    pub fn tolerance_deg(&self, correction: &Correction) -> Option<f64> {
        self.group(&correction.reference, &correction.follower)
            .map(|group| group.tolerance_deg)
            .or(correction.tolerance_deg)
    }

    /// The numbers that were entered for a surface while it was measured; untouched ones where none
    /// were declared.
    pub fn declared_settings(&self, surface: &str) -> Settings {
        let Some(radio) = &self.radio else {
            return Settings::default();
        };
        let untouched = radio.untouched();
        match radio.active.get(surface) {
            Some(declared) if declared.curve_pct.is_empty() => Settings {
                curve_pct: untouched.curve_pct,
                ..declared.clone()
            },
            Some(declared) => declared.clone(),
            None => untouched,
        }
    }

    /// The responses as the response stage handed them on, for matching them again.
    ///
    /// Without a kept joint covariance the station deflections count as independent.
    pub fn responses(&self) -> Responses {
        let surfaces = self
            .surfaces
            .iter()
            .map(|surface| Response {
                surface: surface.name.clone(),
                stations: surface.stations.clone(),
                health: surface.health.clone(),
            })
            .collect();
        Responses {
            surfaces,
            covariance_deg2: self.covariance_deg2(),
            lags: self.lags.clone(),
            neutral: self
                .neutral
                .as_ref()
                .and_then(NeutralRecord::tags_at_neutral),
            level: self.level_zero.clone(),
        }
    }

    /// Joint covariance of all station deflections, in the order of [`Responses`], deg².
    pub fn covariance_deg2(&self) -> DMatrix<f64> {
        let rows = &self.station_covariance_deg2;
        if rows.is_empty() {
            let variances: Vec<f64> = self
                .surfaces
                .iter()
                .flat_map(|surface| &surface.stations)
                .map(|station| station.deflection_deg.sd.powi(2))
                .collect();
            return DMatrix::from_diagonal(&variances.into());
        }
        DMatrix::from_fn(rows.len(), rows.len(), |row, column| rows[row][column])
    }

    /// The text of `measurement.json`; the same measurement gives the same bytes.
    pub fn to_json(&self) -> Result<String, MeasurementError> {
        // Where it is large, it is the covariance of hundreds of stations.
        let expected_bytes = covariance_text::expected_bytes(self.station_covariance_deg2.len());
        tidy_json::to_string(self, expected_bytes)
            .map_err(|source| MeasurementError::NotWritable { source })
    }
}
