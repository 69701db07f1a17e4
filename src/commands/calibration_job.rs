//! A calibration from clip to report, for `calibrate` and for the bench.

use std::path::Path;

use super::CommandError;
use crate::camera::CameraProfile;
use crate::camera::calibration::{
    Board, CalibrateOptions, Calibration, ChosenViews, Survey, Verdict, calibrate_candidates,
    survey,
};
use crate::clip::{Clip, ClipOptions};
use crate::progress::Progress;
use crate::report::calibration::CalibrationReport;
use crate::warning::{WarningText, gather};

/// Stills of a board need no times.
pub const UNTIMED: ClipOptions = ClipOptions {
    fps: None,
    untimed: true,
};

/// What is calibrated, and how.
pub struct CalibrationJob<'a> {
    /// The clip or folder as the report names it.
    pub clip: &'a Path,
    /// The filmed board.
    pub board: Board,
    /// Options of the calibration.
    pub how: CalibrateOptions,
    /// Name of the camera and its mode.
    pub name: &'a str,
}

/// A calibrated camera, with all that its report shows.
pub struct Calibrated {
    /// The profile to write.
    pub profile: CameraProfile,
    clip: String,
    board: String,
    survey: Survey,
    calibration: Calibration,
    verdict: Verdict,
    chosen: ChosenViews,
    warnings: Vec<WarningText>,
}

impl CalibrationJob<'_> {
    /// Finds the board in the opened clip, and calibrates.
    ///
    /// # Errors
    /// The clip shows too little of the board, or the job was cancelled.
    pub fn run(&self, clip: Clip, progress: &dyn Progress) -> Result<Calibrated, CommandError> {
        let mut warnings = Vec::new();
        let survey = gather(&mut warnings, |doubts| {
            survey(clip, self.board, progress, doubts)
        })?;
        let (calibration, chosen) =
            calibrate_candidates(&survey.candidates, survey.size_px, &self.how)?;
        if progress.is_cancelled() {
            return Err(CommandError::Cancelled);
        }
        Ok(Calibrated {
            profile: calibration.profile(self.name),
            clip: self.clip.display().to_string(),
            board: self.board.words(),
            verdict: Verdict::of(&calibration),
            survey,
            calibration,
            chosen,
            warnings,
        })
    }
}

impl Calibrated {
    /// The report on it.
    pub fn report(&self) -> CalibrationReport<'_> {
        CalibrationReport {
            name: &self.profile.name,
            clip: &self.clip,
            board: &self.board,
            layout: self.survey.layout,
            calibration: &self.calibration,
            verdict: &self.verdict,
            chosen: &self.chosen,
            no_view: &self.survey.no_view,
            warnings: &self.warnings,
        }
    }
}
