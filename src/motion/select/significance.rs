//! Which optional unknowns (paper bow, readout time, rocking) are significant.

use std::collections::BTreeMap;

use nalgebra::Matrix2x4;

use crate::motion::problem::bow::bow_slope;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::layout::Layout;
use crate::motion::problem::observation::{Corners, Target};
use crate::motion::problem::parameters::Constants;
use crate::motion::problem::prediction::camera_from_tag;
use crate::motion::problem::readout;
use crate::motion::problem::rocking;

/// Bows that move the outline of a tag by less than this, root mean square, cannot be distinguished from the
/// lasting errors of its corners, px: twice the usual standard deviation of these
/// ([`FitOptions::default`](crate::motion::FitOptions)).
const LEAST_PX: f64 = 0.02;

/// Which of the optional effects a clip shows.
#[derive(Debug, Clone, Copy)]
pub(in crate::motion) struct Significance {
    pub bows: bool,
    pub readout: bool,
    pub rocking: bool,
    pub picture: bool,
}

impl Significance {
    pub fn of(fit: &JointFit, state: &State) -> Self {
        let covariance = fit.covariance(state);
        Self {
            bows: !bowed_tags(fit, state).is_empty(),
            readout: readout::shows(fit, state, covariance.as_ref()),
            rocking: rocking::shows(fit, state, covariance.as_ref()),
            picture: fit.layout.picture_moves,
        }
    }

    /// Keeps only these unknowns in a layout, and sets the constants of the others to zero.
    pub fn leave_in(&self, layout: &mut Layout, constants: &mut Constants) {
        layout.bows = self.bows;
        layout.readout = self.readout;
        layout.rocking = self.rocking;
        layout.picture_moves = self.picture;
        constants.leave_out(layout);
    }
}

/// Tags whose bows move their outlines by more than the lasting errors of their corners may.
pub(in crate::motion) fn bowed_tags(fit: &JointFit, state: &State) -> Vec<Target> {
    if !fit.layout.bows {
        return vec![];
    }
    let camera = fit.lens.camera(&state.constants);
    let mut sums: BTreeMap<Target, (f64, f64)> = BTreeMap::new();
    for (frame, frame_state) in fit.frames.iter().zip(&state.frames) {
        for seen in frame.kept() {
            let camera_from_tag = camera_from_tag(seen.target, &state.constants, frame_state);
            if let Some(slope) = bow_slope(&camera, &camera_from_tag, &seen.corners_px) {
                let moves = slope * state.constants.bow_mm(seen.target);
                let (squares, count) = sums.entry(seen.target).or_default();
                *squares += squares_without_shift(&moves);
                *count += 8.0;
            }
        }
    }
    sums.into_iter()
        .filter(|(_, (squares, count))| *squares > count * LEAST_PX.powi(2))
        .map(|(tag, _)| tag)
        .collect()
}

/// Sum of squares of the moves of four corners about their mean.
fn squares_without_shift(moves: &Corners) -> f64 {
    let mean = Matrix2x4::from_column_slice(moves.as_slice()).column_mean();
    moves.norm_squared() - 4.0 * mean.norm_squared()
}
