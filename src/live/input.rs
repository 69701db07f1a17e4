//! What goes into a session, and what it leaves.

use std::path::PathBuf;

use crate::camera::CameraProfile;
use crate::clip::{GreyImage, Levels, Lines, Transfer};
use crate::model_file::ModelFile;
use crate::stations::GivenHold;
use crate::tags::Sightings;

/// One picture of a camera.
#[derive(Debug, Clone)]
pub struct LiveFrame {
    /// Time of capture, s, from any beginning; rises from frame to frame.
    pub time_s: f64,
    /// The upright picture, one byte of luma a pixel.
    pub luma: GreyImage,
    /// Code values of black and white.
    pub levels: Levels,
}

/// How a session works.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveOptions {
    /// Where the frames come from: stands in the record where a clip's path would.
    pub source: PathBuf,
    /// How the sensor's lines lie in the upright picture.
    pub lines: Lines,
    /// How code values stand for light.
    pub transfer: Transfer,
    /// The function that is measured, by its name in the model file; `None` for all surfaces.
    pub function: Option<String>,
    /// Shortest rest that is kept as a hold while it lasts, s.
    pub rest_s: f64,
    /// Shortest rest that is kept when it ends before that, s: a quick hand. As long as `rest_s` to keep none.
    pub brief_rest_s: f64,
    /// Day of the session, `YYYY-MM-DD`, for the record.
    pub date: Option<String>,
    /// Where fits run.
    pub refits: Refits,
}

impl Default for LiveOptions {
    /// Rests of 0.6 s: long enough that nobody passes a station so slowly. Common practice, no source.
    fn default() -> Self {
        Self {
            source: PathBuf::from("live"),
            lines: Lines::Rows,
            transfer: Transfer::Power,
            function: None,
            rest_s: 0.6,
            brief_rest_s: 0.3,
            date: None,
            refits: Refits::OnWorker,
        }
    }
}

/// Where fits run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refits {
    /// On a thread of their own, while frames go on. The frame after the end of a fit uses it.
    OnWorker,
    /// Between two frames, which takes as long as the fit: the same frames give the same figures.
    AtOnce,
}

/// What a session leaves to be measured: the input of the stages after the search of a clip.
#[derive(Debug, Clone)]
pub struct LiveRecord {
    /// The kept frames with their sightings, in time.
    pub sightings: Sightings,
    /// The holds with their stations, in time.
    pub holds: Vec<GivenHold>,
    /// The model.
    pub model: ModelFile,
    /// The camera, for pictures of this size.
    pub profile: CameraProfile,
    /// Names of the functions that were asked for; empty for those that move.
    pub functions: Vec<String>,
    /// Day of the session, `YYYY-MM-DD`, where it is known.
    pub date: Option<String>,
}
