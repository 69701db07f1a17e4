//! Report of a calibration: one page, a summary for the terminal, and the same as JSON.

mod charts;
mod page;
mod record;
mod summary;

use crate::camera::calibration::{Calibration, CharucoLayout, NoView, Verdict};
use crate::warning::WarningText;

pub use page::page;
pub use record::CalibrationRecord;
pub use summary::summary;

/// Everything that the report of a calibration tells.
#[derive(Debug, Clone, Copy)]
pub struct CalibrationReport<'a> {
    /// What the person calls the camera.
    pub name: &'a str,
    /// The clip or folder.
    pub clip: &'a str,
    /// What was looked for, in words.
    pub board: &'a str,
    /// How the markers were found to be laid out, where that could be told.
    pub layout: Option<CharucoLayout>,
    /// The camera, and the views it was made from.
    pub calibration: &'a Calibration,
    /// How good it is.
    pub verdict: &'a Verdict,
    /// Views that showed the board but were not needed, or less sharp or steady than others.
    pub spare_views: usize,
    /// Pictures without a view of the board, and why.
    pub no_view: &'a [(String, NoView)],
    /// Doubts about the clip.
    pub warnings: &'a [WarningText],
}

impl CalibrationReport<'_> {
    /// Crossings used, and crossings dropped from the views used.
    fn crossings(&self) -> (usize, usize) {
        let views = &self.calibration.views;
        (
            views.iter().map(|view| view.points.len()).sum(),
            views.iter().map(|view| view.dropped.len()).sum(),
        )
    }

    /// What decided on the distortion terms, in one sentence.
    fn terms_sentence(&self) -> String {
        let estimated = self.calibration.terms.words();
        let trials: Vec<String> = self
            .calibration
            .trials
            .windows(2)
            .map(|pair| {
                let added = pair[1].terms.added_words();
                format!("{added} {:.1}", pair[1].f_value)
            })
            .collect();
        if trials.is_empty() {
            return format!("distortion terms estimated, as asked for: {estimated}");
        }
        format!(
            "distortion terms estimated: {estimated}; terms pay where F is above 2, and F was {}",
            trials.join(", ")
        )
    }
}
