//! The joint fit problem: observations, unknowns and priors.

use std::sync::Arc;

use rayon::prelude::*;

use super::observation::{ObservedFrame, PIECE, ReadLines};
use super::parameters::{BOWS, Constants, FrameState, Layout, Lens, Priors};
use super::prediction::residual;
use super::steadier::Steadied;
use crate::motion::PictureWander;
use crate::solver::Loss;

/// Error assumed for a sighting that has no place in the picture, standard deviations: as far
/// off as pictures are wide.
const OUTSIDE_SD: f64 = 1e5;

/// Prior standard deviation of the surroundings' turn (rad) and shift (mm) against the airframe per rad of
/// deflection: 2° and 35 mm at a deflection of 20°, more than any aircraft on its wheels would move.
const MOST_ROCKING: [f64; 2] = [0.1, 100.0];
/// Landmarks are hardly nearer to the camera than this, mm: one without parallax would have no distance
/// at all.
const NEAREST_LANDMARK_MM: f64 = 100.0;

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
        let camera = self.lens.camera(&state.constants);
        let frames = self.frames.iter().zip(&state.frames);
        let losses = frames.flat_map(|(frame, frame_state)| {
            frame.kept().map(|seen| {
                let miss = residual(seen, &camera, &state.constants, frame_state);
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
        let layout = &self.layout;
        let edge_shift = layout.edge_shift_column().map(|column| {
            Prior::of_one(
                column,
                constants.edge_shift_px,
                self.priors.edge_shift_sd_px,
            )
        });
        let readout = layout
            .readout_column()
            .map(|column| Prior::of_one(column, constants.readout_s, self.priors.readout_sd_s));
        let lens = layout.lens_column().into_iter().flat_map(|first| {
            let values = constants.lens.iter().enumerate();
            values.map(move |(index, value)| Prior::of_one(first + index, *value, 1.0))
        });
        let bows = self.priors.bow_sd_mm.iter().flat_map(|(tag, sd_mm)| {
            let bow_mm = constants.bow_mm(*tag);
            let first = layout.bow_column(*tag).into_iter();
            first.flat_map(move |first| {
                (0..BOWS).map(move |index| Prior::of_one(first + index, bow_mm[index], *sd_mm))
            })
        });
        let rulers = constants.surfaces.iter().zip(&self.priors.radius_mm);
        let rulers = rulers.enumerate().filter_map(|(index, (surface, ruler))| {
            Some(Prior {
                column: layout.surface(index),
                slope: surface.radius_slope().as_slice().to_vec(),
                miss: surface.radius_mm() - (*ruler)?.value,
                sd: (*ruler)?.sd,
            })
        });
        let landmarks = constants.landmarks.iter().enumerate();
        let landmarks = landmarks.map(|(index, landmark)| {
            let column = layout.landmark_column(index) + 2;
            Prior::of_one(column, landmark.inverse_mm, 1.0 / NEAREST_LANDMARK_MM)
        });
        let rocking = layout.rocking_column().into_iter().flat_map(|first| {
            let numbers = constants.rocking.iter().enumerate();
            numbers
                .map(move |(index, at)| Prior::of_one(first + index, *at, MOST_ROCKING[index / 3]))
        });
        let alone = edge_shift.into_iter().chain(readout).chain(lens);
        alone
            .chain(bows)
            .chain(rulers)
            .chain(rocking)
            .chain(landmarks)
            .collect()
    }
}

/// A prior on the constants, evaluated at one set of them.
pub(in crate::motion) struct Prior {
    /// The first of the constants that it concerns.
    pub column: usize,
    /// Its derivative by them.
    pub slope: Vec<f64>,
    /// Present value minus the expected one.
    pub miss: f64,
    pub sd: f64,
}

impl Prior {
    /// About one constant that is expected to be zero.
    fn of_one(column: usize, value: f64, sd: f64) -> Self {
        Self {
            column,
            slope: vec![1.0],
            miss: value,
            sd,
        }
    }
}
