//! The check: views that the fit has not seen.

use super::super::calibration::{
    BoardView, CalibrateOptions, Calibration, Verdict, calibrate, deflections_by_intrinsics,
};
use super::placing::placed;
use crate::conventions::deg_from_rad;

/// Views that are left out of the fit to check it.
pub const CHECK_VIEWS: usize = 5;

/// What views that are left out of the fit say about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Check {
    /// RMS distance between crossings seen in these views and projected by the profile.
    pub rms_px: f64,
    /// The same over the views of the fit.
    pub fit_rms_px: f64,
    /// Change of a 30° deflection if these views were fitted as well, degrees: the larger of a tag left
    /// and a tag right of the middle.
    pub moves_deg: f64,
    /// Expanded uncertainty (k = 2), degrees, that the profile states for it.
    pub u_deg: f64,
    /// Views of these that the fit would drop, because they fit far worse than the others.
    pub misfits: usize,
}

impl Check {
    /// Checks a calibration with views that it has not seen.
    ///
    /// Adding views to an efficient fit moves it by a variance that is the difference of the two fits'
    /// variances (J. A. Hausman, Econometrica 46, 1251, 1978), so by less than the stated one: beyond
    /// k = 2 in fewer than one case of twenty, if the stated uncertainty is true.
    ///
    /// Views that cannot be fitted together with the others at all are misfits.
    pub(super) fn of(
        calibration: &Calibration,
        fitted: &[BoardView],
        left_out: &[BoardView],
    ) -> Option<Self> {
        let by_side = deflections_by_intrinsics(&calibration.camera, calibration.size_px.0)?;
        let options = CalibrateOptions {
            terms: Some(calibration.terms),
            ..CalibrateOptions::default()
        };
        let all = [fitted, left_out].concat();
        let (moves_deg, misfits) = match calibrate(&all, calibration.size_px, &options) {
            Ok(with_all) => {
                let moved = with_all.camera.intrinsics() - calibration.camera.intrinsics();
                let moves_rad = by_side.iter().map(|by| by.transpose().dot(&moved).abs());
                let moves_deg = deg_from_rad(moves_rad.fold(0.0, f64::max));
                (moves_deg, dropped(&with_all, left_out))
            }
            Err(_) => (f64::INFINITY, left_out.len()),
        };
        Some(Self {
            rms_px: rms_px(calibration, left_out),
            fit_rms_px: calibration.rms_px,
            moves_deg,
            u_deg: Verdict::of(calibration).u_of_30_deg,
            misfits,
        })
    }

    /// Whether these views confirm the stated uncertainty.
    pub fn agrees(&self) -> bool {
        self.misfits == 0 && self.moves_deg <= self.u_deg
    }

    /// The result in words.
    pub fn words(&self) -> String {
        let Self {
            rms_px,
            fit_rms_px,
            moves_deg,
            u_deg,
            misfits,
        } = self;
        let figures = format!(
            "With {CHECK_VIEWS} views that the fit has not seen, a 30° deflection moves by {moves_deg:.4}°; \
             the profile states ±{u_deg:.4}°. Their crossings are off by {rms_px:.2} px, those of the fit by \
             {fit_rms_px:.2} px."
        );
        match (self.agrees(), misfits) {
            (true, _) => format!("Checked. {figures}"),
            (false, 0) => format!(
                "The check does not confirm the profile. {figures} Take more views. If this persists, \
                 mount the board on something flat and stiff."
            ),
            (false, misfits) => format!(
                "The check does not confirm the profile: {misfits} of {CHECK_VIEWS} views do not fit it. \
                 Their crossings are off by {rms_px:.2} px, those of the fit by {fit_rms_px:.2} px. Check \
                 that the zoom did not change and that the board does not bend."
            ),
        }
    }
}

/// Number of some views that a calibration dropped.
fn dropped(calibration: &Calibration, views: &[BoardView]) -> usize {
    let is_dropped = |view: &&BoardView| {
        let mut names = calibration
            .dropped_views
            .iter()
            .map(|dropped| &dropped.name);
        names.any(|name| *name == view.name)
    };
    views.iter().filter(is_dropped).count()
}

/// RMS over all crossings of views, with the camera held. A view that the camera cannot see counts as
/// infinitely wrong.
fn rms_px(calibration: &Calibration, views: &[BoardView]) -> f64 {
    let (mut sum, mut count) = (0.0, 0_usize);
    for view in views {
        let rms_px =
            placed(&calibration.camera, view).map_or(f64::INFINITY, |placed| placed.rms_px);
        sum += rms_px.powi(2) * view.points.len() as f64;
        count += view.points.len();
    }
    (sum / count.max(1) as f64).sqrt()
}
