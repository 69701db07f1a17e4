//! How the tags' sightings scatter about the fit.

use std::collections::BTreeMap;

use super::outliers::freedom_of_a_sighting;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::{Corners, Target};
use crate::motion::problem::prediction::{residual, residual_px};

/// How sightings scatter about the fit.
pub(in crate::motion) struct Scatter {
    /// Variance of the whitened residuals about what they have in common in all frames: 1 if the
    /// covariances are right.
    pub variance: f64,
    /// Root mean square of the residuals of a coordinate, px.
    pub rms_px: f64,
    /// The same as expected from the corners' own covariances.
    pub allowed_px: f64,
    /// The root mean square as a share of the tag's edge.
    pub rms_share: f64,
}

impl Scatter {
    /// Of the inliers; `constant` is what a tag's residuals have in common in all
    /// frames. `None` if there are none, or outside the model.
    pub fn of(fit: &JointFit, state: &State, constant: &BTreeMap<Target, Corners>) -> Option<Self> {
        let given = fit.lens.given(&state.constants);
        let (mut chi2, mut squares_px2, mut squared_shares) = (0.0, 0.0, 0.0);
        let mut allowed_px2 = 0.0;
        let mut sightings = 0.0;
        for (frame, frame_state) in fit.frames.iter().zip(&state.frames) {
            for seen in frame.with_a_say() {
                let miss = residual(seen, &given, frame_state)?;
                let constant = constant.get(&seen.target).copied();
                chi2 += (miss - constant.unwrap_or_default()).norm_squared();
                let miss_px = residual_px(seen, &given, frame_state)?;
                let square_px2 = miss_px.norm_squared();
                squares_px2 += square_px2;
                squared_shares += square_px2 / seen.edge_px().powi(2);
                allowed_px2 += seen.claimed_px2().unwrap_or(0.0);
                sightings += 1.0;
            }
        }
        let freedom_of_one = freedom_of_a_sighting(fit);
        let freedom = sightings * freedom_of_one;
        let coordinates = 8.0 * sightings;
        (sightings > 0.0).then(|| Self {
            variance: chi2 / freedom,
            rms_px: (squares_px2 / coordinates).sqrt(),
            allowed_px: (allowed_px2 / coordinates * freedom_of_one / 8.0).sqrt(),
            rms_share: (squared_shares / coordinates).sqrt(),
        })
    }
}
