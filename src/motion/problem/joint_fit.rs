//! The joint fit problem: observations, unknowns and priors.

use std::ops::Range;
use std::sync::Arc;

use rayon::prelude::*;

use super::blocks::{Block, Prior};
use super::layout::Layout;
use super::observation::{ObservedFrame, PIECE, ReadLines};
use super::parameters::{Constants, FrameState, Lens, Priors};
use super::prediction::residual;
use super::steadier::Steadied;
use crate::motion::{FitPass, PictureWander};
use crate::solver::Loss;

/// Error assumed for a sighting that has no place in the picture, standard deviations: as far
/// off as pictures are wide.
const OUTSIDE_SD: f64 = 1e5;

/// Observations and priors.
#[derive(Debug, Clone)]
pub(in crate::motion) struct JointFit {
    pub layout: Layout,
    pub lens: Lens,
    pub priors: Priors,
    pub loss: Loss,
    pub lines: ReadLines,
    /// Share of a moving view that the tags have to determine: less than 1 where landmarks help.
    pub view_share_of_tags: f64,
    pub surroundings: Surroundings,
    /// How the frames were steadied, where the picture of a camera that stood still moved.
    pub steadied: Option<Arc<Steadied>>,
    pub frames: Vec<ObservedFrame>,
    /// The searches so far.
    pub passes: Vec<FitPass>,
}

/// Whether landmarks of the surroundings are part of a fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::motion) enum Surroundings {
    /// The camera is fixed, there are too few landmarks, or they have not been tried yet.
    Unused,
    /// They are part of the fit.
    Fixed,
    /// They move against the airframe, or all but a few do.
    Moving,
    /// The fit with them has no solution.
    Undetermined,
}

/// The unknowns.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::motion) struct State {
    pub constants: Constants,
    pub frames: Vec<FrameState>,
}

impl JointFit {
    /// A fit of every so many of the frames that are used, with its state. `every` chooses their distance from
    /// the times of these frames.
    pub fn thinned(
        &self,
        state: &State,
        every: impl FnOnce(&[f64]) -> usize,
    ) -> (Self, State, usize) {
        let frames = self.frames.iter().zip(&state.frames);
        let used: Vec<_> = frames.filter(|(frame, _)| frame.is_used()).collect();
        let times_s: Vec<f64> = used.iter().map(|(frame, _)| frame.time_s).collect();
        let every = every(&times_s).max(1);
        let some = used.into_iter().step_by(every);
        let (frames, states) = some
            .map(|(frame, state)| (frame.clone(), state.clone()))
            .unzip();
        let thinned = Self {
            frames,
            lens: self.lens.clone(),
            priors: self.priors.clone(),
            steadied: self.steadied.clone(),
            passes: vec![],
            ..*self
        };
        let state = State {
            constants: state.constants.clone(),
            frames: states,
        };
        (thinned, state, every)
    }

    /// How far the picture moved, of a camera that stood still or of one in the hand.
    pub fn picture_wander(&self) -> Option<PictureWander> {
        let in_the_hand = self.layout.picture_moves.then(|| PictureWander {
            shift_sd_px: self.priors.picture.shift_sd_px * 2f64.sqrt(),
            growth_sd: self.priors.picture.growth_sd,
        });
        let of_still = self.steadied.as_ref().map(|steadied| steadied.wander);
        of_still.or(in_the_hand)
    }

    /// Applies a function to each frame with its state, on all cores; results in the frames' order.
    pub fn of_frames<T: Send>(
        &self,
        state: &State,
        of_frame: impl Fn(&ObservedFrame, &FrameState) -> T + Sync,
    ) -> Vec<T> {
        let frames = self.frames.par_iter().zip(&state.frames);
        frames
            .with_min_len(PIECE)
            .map(|(frame, frame_state)| of_frame(frame, frame_state))
            .collect()
    }

    /// Half the sum of the losses of all sightings and priors, with sightings outside the model as bad
    /// as the loss makes an error of [`OUTSIDE_SD`].
    pub fn forgiving_cost(&self, state: &State) -> f64 {
        let given = self.lens.given(&state.constants);
        let frames = self.frames.iter().zip(&state.frames);
        let losses = frames.flat_map(|(frame, frame_state)| {
            frame.kept().map(|seen| {
                let miss = residual(seen, &given, frame_state);
                let chi2 = miss.map_or(OUTSIDE_SD.powi(2), |miss| miss.norm_squared());
                self.loss.value(chi2)
            })
        });
        0.5 * (losses.sum::<f64>() + self.prior_chi2(&state.constants))
    }

    pub fn prior_chi2(&self, constants: &Constants) -> f64 {
        let priors = self.priors(constants).into_iter();
        priors.map(|prior| (prior.miss / prior.sd).powi(2)).sum()
    }

    pub fn priors(&self, constants: &Constants) -> Vec<Prior> {
        let mut columns: Vec<_> = self.layout.columns().collect();
        // The last bits of a cost depend on this order: rulers after bows.
        columns.sort_by_key(|(block, _)| match block {
            Block::Surface(_) => 1,
            Block::Rocking | Block::Landmark(_) => 2,
            _ => 0,
        });
        let of_block = |(block, columns): (Block, Range<usize>)| {
            block.priors(columns.start, constants, &self.priors)
        };
        columns.into_iter().flat_map(of_block).collect()
    }
}
