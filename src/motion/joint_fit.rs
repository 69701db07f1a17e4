//! The joint fit: Levenberg–Marquardt over all frames at once.

use nalgebra::{DMatrix, DVector, SVector};

use super::normal_equations::{FrameElimination, Reduced, reduce};
use super::observation::ObservedFrame;
use super::parameters::{BOWS, Constants, FrameState, Layout, Lens, Priors, TAG_CONSTANTS};
use super::prediction::residual;
use super::readout::ReadLines;
use crate::geometry::stepped_pose;
use crate::solver::Loss;

/// Damping at the start of a search, as a fraction of the diagonal: from a rough guess …
pub(super) const FROM_AFAR: f64 = 1e-4;
/// … and from where a fit has been, which has changed a little since. The curvature of what the fit can
/// hardly tell is a millionth of the diagonal: with more damping it would creep.
pub(super) const FROM_NEARBY: f64 = 1e-8;
/// With less damping than this a step goes nearly all the way: if it promises little, little is
/// left.
const HARDLY_DAMPED: f64 = 1e-2;
/// Damping is given up beyond this.
const LARGEST_DAMPING: f64 = 1e10;
/// Factors on the damping after a step that was taken, and after one that was not.
const DAMPING_EASED: f64 = 0.1;
const DAMPING_RAISED: f64 = 8.0;
/// A refused step that raised the cost (half a χ²) by less ends the search: parameters then move by
/// a few hundredths of their standard deviation at most.
const SETTLED_INCREASE: f64 = 1e-4;
/// The same as a fraction of the cost, for sightings that are far better than declared.
const SETTLED_FRACTION: f64 = 1e-9;

/// Error that stands for a sighting that has no place in the picture, standard deviations: as far
/// off as pictures are wide.
const OUTSIDE_SD: f64 = 1e5;

/// Surroundings turn (rad) and shift (mm) against the airframe by about so much per rad of deflection if
/// at all: half a degree and some millimetres at full travel.
const MOST_ROCKING: [f64; 2] = [0.1, 100.0];
/// Landmarks are hardly nearer to the camera than this, mm: one without parallax would have no distance
/// at all.
const NEAREST_LANDMARK_MM: f64 = 100.0;

/// Everything the fit looks at.
#[derive(Debug, Clone)]
pub(super) struct JointFit {
    pub layout: Layout,
    pub lens: Lens,
    pub priors: Priors,
    pub loss: Loss,
    pub lines: ReadLines,
    /// Share of a moving camera's pose that the tags have to tell: less than 1 where landmarks help.
    pub pose_share_of_tags: f64,
    /// Landmarks were found, but they do not stand still against the airframe.
    pub surroundings_move: bool,
    pub frames: Vec<ObservedFrame>,
}

/// Everything the fit moves.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct State {
    pub constants: Constants,
    pub frames: Vec<FrameState>,
}

/// How a search for the minimum begins, and when it ends.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    /// [`FROM_AFAR`] or [`FROM_NEARBY`].
    pub damping: f64,
    /// Steps that are tried at most.
    pub steps: usize,
    /// A step that promises to lower the cost (half a χ²) by less is the last, and is taken without
    /// a look at where it leads.
    pub promised: f64,
}

impl JointFit {
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

    fn prior_chi2(&self, constants: &Constants) -> f64 {
        let priors = self.priors(constants).into_iter();
        priors.map(|prior| (prior.miss / prior.sd).powi(2)).sum()
    }

    /// The reduced system of all frames and priors at a state.
    pub fn system(&self, state: &State, damping: f64) -> Reduced {
        let mut system = reduce(self, state, damping);
        self.add_priors(&state.constants, &mut system);
        system
    }

    /// Covariance of the constants at a state; `None` if they are not determined.
    pub fn covariance(&self, state: &State) -> Option<DMatrix<f64>> {
        self.system(state, 0.0).covariance(self.layout.fitted())
    }

    fn add_priors(&self, constants: &Constants, reduced: &mut Reduced) {
        reduced.cost += 0.5 * self.prior_chi2(constants);
        for prior in self.priors(constants) {
            let (column, weight) = (prior.column, prior.sd.powi(-2));
            for (i, a) in prior.slope.iter().enumerate() {
                reduced.gradient[column + i] += a * prior.miss * weight;
                reduced.scale[column + i] += a * a * weight;
                for (j, b) in prior.slope.iter().enumerate() {
                    reduced.information[(column + i, column + j)] += a * b * weight;
                }
            }
        }
    }

    fn priors(&self, constants: &Constants) -> Vec<Prior> {
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

    /// Minimises the cost from a state.
    ///
    /// `None` if the start is outside the model.
    pub fn minimise(&self, start: State, search: Search) -> Option<State> {
        let mut damping = search.damping;
        let mut here = self.linearised(start, damping);
        if !here.system.cost.is_finite() {
            return None;
        }
        for _ in 0..search.steps {
            let step = self.step(&here, damping);
            // Most of the fit's memory; a step that is refused begins with a new look at this place.
            here.system.frames = vec![];
            let (decrease, next) = match step {
                Some((last, promised))
                    if damping < HARDLY_DAMPED && promised < here.settled(search.promised) =>
                {
                    return Some(last);
                }
                Some((candidate, _)) => {
                    let next = self.linearised(candidate, damping * DAMPING_EASED);
                    (here.system.cost - next.system.cost, Some(next))
                }
                None => (f64::NEG_INFINITY, None),
            };
            if let Some(next) = next.filter(|_| decrease > 0.0) {
                here = next;
                damping *= DAMPING_EASED;
                continue;
            }
            damping *= DAMPING_RAISED;
            if damping > LARGEST_DAMPING || -decrease < here.settled(SETTLED_INCREASE) {
                break;
            }
            here = self.linearised(here.state, damping);
        }
        Some(here.state)
    }

    fn linearised(&self, state: State, damping: f64) -> Here {
        let system = self.system(&state, damping);
        Here { state, system }
    }

    /// The state one damped Gauss–Newton step away, and by how much it promises to lower the cost.
    fn step(&self, here: &Here, damping: f64) -> Option<(State, f64)> {
        let system = &here.system;
        if system.broken {
            return None;
        }
        let mut information = system.information.clone();
        for index in 0..system.scale.len() {
            let floor = f64::MIN_POSITIVE.sqrt();
            information[(index, index)] += damping * system.scale[index] + floor;
        }
        let step = -information.cholesky()?.solve(&system.gradient);
        let promised = system.promised - 0.5 * system.gradient.dot(&step);
        let frames = system.frames.iter().zip(&here.state.frames);
        let state = State {
            constants: here.state.constants.stepped(&self.layout, &step),
            frames: frames
                .map(|(eliminated, frame)| stepped_frame(frame, eliminated, &step))
                .collect(),
        };
        Some((state, promised))
    }
}

/// What is known before any frame is looked at, at one set of constants.
struct Prior {
    /// The first of the constants that it is about.
    column: usize,
    /// How it follows them.
    slope: Vec<f64>,
    /// Present value less the one expected.
    miss: f64,
    sd: f64,
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

/// A state with its normal equations.
struct Here {
    state: State,
    system: Reduced,
}

impl Here {
    /// What counts as next to nothing beside the cost.
    fn settled(&self, change: f64) -> f64 {
        change.max(SETTLED_FRACTION * self.system.cost)
    }
}

/// Back-substitution: a frame's step that belongs to a step of the constants.
fn stepped_frame(
    frame: &FrameState,
    eliminated: &FrameElimination,
    step: &DVector<f64>,
) -> FrameState {
    let mut stepped = frame.clone();
    let mut pose_step = SVector::<f64, TAG_CONSTANTS>::zeros();
    if let Some(pose) = &eliminated.pose {
        pose_step = pose.step(step);
        stepped.camera_from_reference = stepped_pose(&frame.camera_from_reference, &pose_step);
    }
    for angle in &eliminated.angles {
        let coupled: f64 = angle
            .by_constants
            .iter()
            .map(|(column, coupling)| coupling * step[*column])
            .sum();
        let slope = angle.gradient + angle.by_pose.dot(&pose_step) + coupled;
        stepped.angles_rad[angle.surface] -= slope / angle.curvature;
    }
    stepped
}
