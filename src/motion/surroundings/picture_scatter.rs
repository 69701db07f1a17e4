//! How far the picture of a camera in the hand moves: the scatter of its motion over all frames.
//!
//! Landmarks far from the principal point and at several distances separate a shift of the picture from a turn of the
//! camera, and its growth from a step of the camera towards them. Each frame alone does so to some tenths of
//! a pixel only, so the scatter of all frames is the prior of each (empirical Bayes; B. Efron and C. Morris,
//! J. Am. Stat. Assoc. 70 (1975) 311).

use nalgebra::Vector3;

use crate::motion::problem::blocks::PICTURE;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::picture_motion::{PICTURE_UNKNOWNS, PicturePrior};

/// The picture moves where its motion's mean square exceeds its errors' by this factor. Errors alone leave
/// about one; errors of landmarks are wider than their frames' own scatter, which leaves less.
const SHOWS_RATIO: f64 = 1.5;
/// Floors of a prior that is fitted, so that it never holds a number at zero: far below what matters.
const LEAST_SHIFT_SD_PX: f64 = 0.02;
const LEAST_GROWTH_SD: f64 = 1e-5;

/// The motion of the picture over all frames.
#[derive(Debug, Clone, Copy)]
pub(in crate::motion) struct PictureScatter {
    pub prior: PicturePrior,
    pub shows: bool,
}

/// The scatter of shift and growth in a fit in which the picture may move. `None` where no frame determines them.
pub(in crate::motion) fn picture_scatter(fit: &JointFit, state: &State) -> Option<PictureScatter> {
    let eliminated = fit.system(state, 0.0).frames;
    let prior = fit.priors.picture.information();
    let mut sums = [Sums::default(); PICTURE_UNKNOWNS];
    for ((frame, eliminated), state) in fit.frames.iter().zip(&eliminated).zip(&state.frames) {
        let Some(view) = &eliminated.view else {
            continue;
        };
        let covariance = view.root.inverse();
        let numbers: Vector3<f64> = state.picture.to_vector();
        for (index, sums) in sums.iter_mut().enumerate() {
            let whole = covariance[(PICTURE + index, PICTURE + index)].recip();
            sums.add(numbers[index], whole, prior[index] * frame.share());
        }
    }
    let [x, y, growth] = sums;
    let shift = x.joined(y);
    Some(PictureScatter {
        prior: PicturePrior {
            shift_sd_px: shift.variance()?.sqrt().max(LEAST_SHIFT_SD_PX),
            growth_sd: growth.variance()?.sqrt().max(LEAST_GROWTH_SD),
        },
        shows: shift.ratio()? > SHOWS_RATIO || growth.ratio()? > SHOWS_RATIO,
    })
}

/// Sums over frames for the variance of one number.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    weights: f64,
    excess: f64,
    squares_by_variance: f64,
    count: f64,
}

impl Sums {
    /// Takes in a number that was fitted with a prior about zero; `whole` is its inverse variance, the
    /// prior's included.
    fn add(&mut self, fitted: f64, whole: f64, of_prior: f64) {
        let of_frame = whole - of_prior;
        if of_frame.is_nan() || of_frame <= 0.0 {
            return;
        }
        let (alone, variance) = (fitted * whole / of_frame, of_frame.recip());
        let weight = (variance + of_prior.recip()).powi(-2);
        self.weights += weight;
        self.excess += weight * (alone * alone - variance);
        self.squares_by_variance += alone * alone / variance;
        self.count += 1.0;
    }

    fn joined(self, other: Self) -> Self {
        Self {
            weights: self.weights + other.weights,
            excess: self.excess + other.excess,
            squares_by_variance: self.squares_by_variance + other.squares_by_variance,
            count: self.count + other.count,
        }
    }

    /// Variance of the true numbers.
    fn variance(&self) -> Option<f64> {
        (self.weights > 0.0).then(|| (self.excess / self.weights).max(0.0))
    }

    /// Mean square over what errors alone would leave.
    fn ratio(&self) -> Option<f64> {
        (self.count > 0.0).then(|| self.squares_by_variance / self.count)
    }
}
