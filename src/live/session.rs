//! A live session: what happens to a frame.

use std::path::PathBuf;

use super::error::LiveError;
use super::state::{LiveState, Phase, View, Zero};
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
    /// Where fits run.
    pub refits: Refits,
}

impl Default for LiveOptions {
    fn default() -> Self {
        Self {
            source: PathBuf::from("live"),
            lines: Lines::Rows,
            transfer: Transfer::Power,
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

/// A live session.
pub struct LiveSession {
    model: ModelFile,
    profile: CameraProfile,
    options: LiveOptions,
    state: LiveState,
}

impl LiveSession {
    /// Begins a session.
    ///
    /// # Errors
    /// [`LiveError::Tags`] for an id that the family does not hold; [`LiveError::NoWorker`].
    pub fn begin(
        model: ModelFile,
        profile: CameraProfile,
        options: LiveOptions,
    ) -> Result<Self, LiveError> {
        Ok(Self {
            model,
            profile,
            options,
            state: LiveState {
                phase: Phase::Looking,
                time_s: None,
                missing: vec![],
                view: View::Unknown,
                zero: Zero::Start,
                surfaces: vec![],
                airframe_tags: vec![],
                pairs: vec![],
                holds: vec![],
                holding: false,
                at_rest: false,
                next_station_pct: None,
                stations_left: 0,
                fits: 0,
                fitting: false,
            },
        })
    }

    /// Takes the next frame and returns the state after it.
    ///
    /// # Errors
    /// For a picture of another size or range, and for a time that is not later; the session stays as it was.
    pub fn frame(&mut self, frame: LiveFrame) -> Result<LiveState, LiveError> {
        self.state.time_s = Some(frame.time_s);
        Ok(self.state())
    }

    /// The state after the newest frame.
    pub fn state(&self) -> LiveState {
        self.state.clone()
    }

    /// The station that the next hold belongs to, percent; `None` returns to the declared order.
    ///
    /// # Errors
    /// [`LiveError::NoStation`] outside −100 to 100.
    pub fn next_station(&mut self, stick_pct: Option<f64>) -> Result<(), LiveError> {
        self.state.next_station_pct = stick_pct;
        Ok(())
    }

    /// Keeps what the surfaces show now as a hold of the next station.
    ///
    /// # Errors
    /// [`LiveError::NoHoldNow`] while a surface moves, without figures, or without a station.
    pub fn hold_now(&mut self) -> Result<(), LiveError> {
        Err(LiveError::NoHoldNow {
            why: "nothing is measured yet".to_owned(),
        })
    }

    /// Takes the newest hold back; its station is the next one again.
    ///
    /// # Errors
    /// [`LiveError::NothingToUndo`].
    pub fn undo(&mut self) -> Result<(), LiveError> {
        Err(LiveError::NothingToUndo)
    }

    /// Leaves the next station of the declared order out.
    pub fn skip(&mut self) {}

    /// What the surfaces show now is neutral from here on.
    ///
    /// # Errors
    /// [`LiveError::NoNeutralNow`] while a surface moves or without figures.
    pub fn set_neutral(&mut self) -> Result<(), LiveError> {
        Err(LiveError::NoNeutralNow {
            why: "nothing is measured yet".to_owned(),
        })
    }

    /// Forgets the largest deflections.
    pub fn clear_peaks(&mut self) {}

    /// What the session leaves to be measured. The session can go on afterwards.
    ///
    /// # Errors
    /// [`LiveError::NothingHeld`].
    pub fn finish(&mut self) -> Result<LiveRecord, LiveError> {
        let _ = (&self.model, &self.profile, &self.options);
        Err(LiveError::NothingHeld)
    }
}
