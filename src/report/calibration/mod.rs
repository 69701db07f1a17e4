//! Report of a calibration: one page, a summary for the terminal, and the same as JSON.

mod charts;
mod page;
mod record;
mod summary;

use crate::camera::calibration::{
    Calibration, CharucoLayout, ChosenViews, NoView, Spare, TermsOutcome, Verdict,
};
use crate::warning::WarningText;

pub use page::page;
pub use record::CalibrationRecord;
pub use summary::summary;

/// Contents of the report of a calibration.
#[derive(Debug, Clone, Copy)]
pub struct CalibrationReport<'a> {
    /// The user's name for the camera.
    pub name: &'a str,
    /// The clip or folder.
    pub clip: &'a str,
    /// The board in words.
    pub board: &'a str,
    /// Layout of the markers, if known.
    pub layout: Option<CharucoLayout>,
    /// The camera, and the views it was made from.
    pub calibration: &'a Calibration,
    /// How good it is.
    pub verdict: &'a Verdict,
    /// Which views of the board were chosen, and why not the others.
    pub chosen: &'a ChosenViews,
    /// Pictures without a view of the board, and why.
    pub no_view: &'a [(String, NoView)],
    /// Warnings about the clip.
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

    /// Which distortion terms are estimated, and why not the others, in one sentence.
    fn terms_sentence(&self) -> String {
        let calibration = self.calibration;
        let estimated = calibration.terms.words();
        if calibration.trials.len() == 1 {
            return format!("lens distortion terms estimated, as requested: {estimated}");
        }
        let left_out: Vec<String> = calibration
            .trials
            .iter()
            // Terms that were refused alone and estimated with more are not left out.
            .filter(|trial| trial.outcome != TermsOutcome::Taken && trial.terms > calibration.terms)
            .map(|trial| format!("{} ({})", trial.terms.added_words(), trial.outcome.words()))
            .collect();
        match left_out.is_empty() {
            true => format!("lens distortion terms estimated: {estimated}"),
            false => format!(
                "lens distortion terms estimated: {estimated}; left out: {}",
                left_out.join(", ")
            ),
        }
    }

    /// How many views showed the board but were not used, one sentence a reason.
    fn spare_sentences(&self) -> Vec<String> {
        Spare::ALL
            .into_iter()
            .map(|reason| (reason, self.chosen.spared(reason)))
            .filter(|(_, views)| *views > 0)
            .map(|(reason, views)| reason.sentence(views))
            .collect()
    }
}
