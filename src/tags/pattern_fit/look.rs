//! How a tag looks: its blur and its light, from which the fit of the next frame starts.

use nalgebra::Matrix3;
use serde::{Deserialize, Serialize};

use super::image_model::{BLUR, COVARIANCE, UNKNOWNS, Unknowns, WHITE};
use super::patch::Patch;
use super::pattern::HALF;

/// Residuals that a start is expected to leave, share of the range.
const START_NOISE: f64 = 0.05;

/// How a tag looks, apart from its place: this hardly changes from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct Look {
    /// Standard deviation of the blur along the tag's axes.
    pub blur_cells: [f64; 2],
    /// Covariance of the two.
    blur_covariance_cells2: f64,
    /// Light of white and of black, each with its slopes along the patch.
    light: [f64; UNKNOWNS - WHITE],
    /// Standard deviation of the residuals, share of the range.
    pub(super) noise: f64,
}

impl Look {
    /// A guess for a tag that was not seen before.
    pub(in crate::tags) fn at_first(patch: &Patch, blur_px: f64) -> Self {
        let mut light: Vec<f32> = patch
            .groups
            .iter()
            .flat_map(|pixels| pixels.light)
            .collect();
        light.sort_by(f32::total_cmp);
        let at = |tenths: usize| {
            light
                .get(light.len() * tenths / 10)
                .map_or(0.0, |&l| l.into())
        };
        let (white, black) = (at(9), at(1));
        Self {
            blur_cells: [blur_px * HALF / patch.scale_px; 2],
            blur_covariance_cells2: 0.0,
            light: [white, 0.0, 0.0, black, 0.0, 0.0],
            noise: START_NOISE,
        }
    }

    /// The look of a fitted state.
    pub(super) fn of(state: &Unknowns, noise: f64) -> Self {
        Self {
            blur_cells: [state[BLUR], state[BLUR + 1]],
            blur_covariance_cells2: state[COVARIANCE],
            light: std::array::from_fn(|k| state[WHITE + k]),
            noise,
        }
    }

    /// A state that looks like this at a place.
    pub(in crate::tags) fn with_place(&self, patch_from_tag: &Matrix3<f64>) -> Unknowns {
        let mut state = Unknowns::zeros();
        for index in 0..BLUR {
            state[index] = patch_from_tag[(index / 3, index % 3)];
        }
        state
            .fixed_rows_mut::<2>(BLUR)
            .copy_from_slice(&self.blur_cells);
        state[COVARIANCE] = self.blur_covariance_cells2;
        state
            .fixed_rows_mut::<6>(WHITE)
            .copy_from_slice(&self.light);
        state
    }
}
