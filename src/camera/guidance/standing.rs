//! How far a guided calibration is.

use nalgebra::Point2;

use super::super::calibration::{CalibrateOptions, GOOD_TILT_DEG, GOOD_U_DEG, Grade};
use super::check::{CHECK_VIEWS, Check};
use super::coverage::Coverage;
use super::missing;
use super::outlines::Tilt;
use super::session::{Guidance, Part};

/// Parts of a guided calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Views for the fit are taken.
    Fit,
    /// The fit is good enough; views that check it are taken.
    Check,
    /// The fit is good enough, and the check confirms it.
    Done,
}

/// The pose of the board that would help most.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// Corners of the printed squares in the picture, px, in turn; to be drawn over the picture.
    pub outline_px: [Point2<f64>; 4],
    /// The pose in words.
    pub words: String,
}

/// How far a guided calibration is.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// What is being done.
    pub phase: Phase,
    /// Expanded uncertainty (k = 2), degrees, that the profile adds to a deflection of 30°; `None` before
    /// there is a profile.
    pub u_deg: Option<f64>,
    /// The uncertainty that is aimed at, degrees.
    pub aim_deg: f64,
    /// The verdict on the profile.
    pub grade: Option<Grade>,
    /// Kept views that belong to the fit.
    pub fit_views: usize,
    /// Kept views that belong to the check.
    pub check_views: usize,
    /// Where the crossings of the fit's views were.
    pub coverage: Option<Coverage>,
    /// What is missing, in sentences.
    pub missing: Vec<String>,
    /// What to show next; `None` when nothing is missing, and before the first picture.
    pub ask: Option<Ask>,
    /// The result of the check.
    pub check: Option<Check>,
    /// Whether figures are of fewer views than those kept, because work is being done.
    pub is_behind: bool,
}

impl Guidance {
    /// How far the calibration is.
    pub fn standing(&self) -> Standing {
        let fit = self.fit.as_ref().and_then(|fit| fit.as_ref().ok());
        let u_deg = fit.map(|fit| fit.verdict.u_of_30_deg);
        let fit_views = self.count(Part::Fit);
        let coverage = |size_px| Coverage::of(self.views(Part::Fit), size_px);
        Standing {
            phase: self.phase(),
            u_deg: u_deg.filter(|u_deg| u_deg.is_finite()),
            aim_deg: GOOD_U_DEG,
            grade: fit.map(|fit| fit.verdict.grade),
            fit_views,
            check_views: self.count(Part::Check),
            coverage: self.size_px.map(coverage),
            missing: self.missing(fit_views),
            ask: self.asked.as_ref().map(|asked| Ask {
                outline_px: asked.outline_px,
                words: asked.words(),
            }),
            check: fit.and_then(|fit| fit.check),
            is_behind: self.is_behind(),
        }
    }

    fn missing(&self, fit_views: usize) -> Vec<String> {
        let first = CalibrateOptions::default().fewest_views;
        match &self.fit {
            Some(Err(error)) => vec![missing::of_error(error)],
            Some(Ok(fit)) => {
                let tilted = fit.calibration.views.iter();
                let tilted = tilted.filter(|view| view.tilt_deg >= GOOD_TILT_DEG);
                let tilts: Vec<Tilt> = tilted
                    .map(|view| Tilt::of(&view.camera_from_board))
                    .collect();
                let mut missing = missing::of_fit(&fit.verdict, &tilts);
                let checks = self.count(Part::Check);
                if self.phase() == Phase::Check {
                    missing.push(match CHECK_VIEWS.saturating_sub(checks) {
                        0 => "The profile is being checked.".into(),
                        1 => "One more view, anywhere else, to check the profile.".into(),
                        left => format!("{left} more views, anywhere else, to check the profile."),
                    });
                }
                let failed = fit.check.filter(|check| !check.agrees());
                missing.extend(failed.map(|check| check.words()));
                missing
            }
            None => {
                vec![match first.saturating_sub(fit_views) {
                    0 => "The first figure is being computed.".into(),
                    1 => "One more view until there is a first figure.".into(),
                    left => format!("{left} more views until there is a first figure."),
                }]
            }
        }
    }
}
