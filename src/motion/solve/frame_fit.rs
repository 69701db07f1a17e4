//! The fit of a single frame with the constants held: the camera's pose and each surface's
//! deflection.

use std::f64::consts::PI;
use std::ops::Range;

use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use crate::geometry::corners_in_tag;
use crate::motion::problem::blocks::{FRAME_ALONE, PICTURE, POSE, RESIDUAL};
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::landmark_prediction::LANDMARK_LOSS;
use crate::motion::problem::observation::{ObservedFrame, Target};
use crate::motion::problem::parameters::{FrameState, Given, VIEW_UNKNOWNS};
use crate::motion::problem::picture_motion::PicturePrior;
use crate::motion::problem::prediction::{linearise, residual};
use crate::solver::{Change, Descent, Loss, Policy, descend};

/// Frames that one thread takes at a time: each takes some steps, not one look.
pub(in crate::motion) const SETTLED_AT_A_TIME: usize = 16;

/// The descent of one frame; six steps are usual. It ends where a step lowers half a χ² by less than a
/// thousandth, or promises to lower it by less than a hundred-thousandth.
const POLICY: Policy = Policy {
    damping: 1e-3,
    eased: 0.1,
    raised: 10.0,
    least_damping: 0.0,
    most_damping: f64::INFINITY,
    hardly_damped: 1e-3,
    steps: 12,
    predicted: Change::both(1e-5),
    decrease: Change::both(1e-3),
    increase: Change::NONE,
};
/// Distance between the deflections that are tried first, rad (6°): well within reach of
/// Gauss–Newton for a tag whose picture turns by the same.
const SCAN_STEP_RAD: f64 = 0.1;
/// Corners that are compared there: two opposite ones give place, size and turn.
const SCANNED_CORNERS: [usize; 2] = [0, 2];

/// Input of the fit of one frame.
pub(in crate::motion) struct FrameFit<'a> {
    pub given: Given<'a>,
    /// The unknowns of the view that are fitted.
    pub view: Range<usize>,
    pub picture: PicturePrior,
    pub loss: Loss,
    /// Deflections that are tried first, from and to, by surface.
    pub scan_rad: &'a [[f64; 2]],
}

impl<'a> FrameFit<'a> {
    /// Of single frames of a fit.
    pub fn new(fit: &'a JointFit, given: Given<'a>, loss: Loss, scan_rad: &'a [[f64; 2]]) -> Self {
        Self {
            given,
            view: fit.layout.view(),
            picture: fit.priors.picture,
            loss,
            scan_rad,
        }
    }

    /// The best of several starts for the camera's pose, with its cost.
    pub fn best(
        &self,
        frame: &ObservedFrame,
        starts: impl IntoIterator<Item = FrameState>,
    ) -> Option<(FrameState, f64)> {
        starts
            .into_iter()
            .filter_map(|start| self.settle(frame, self.with_scanned_angles(frame, start)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Half the loss of the frame's sightings.
    pub fn cost(&self, frame: &ObservedFrame, state: &FrameState) -> Option<f64> {
        let losses = frame.kept().map(|seen| {
            let miss = residual(seen, &self.given, state)?;
            Some(self.loss.value(miss.norm_squared()))
        });
        let landmarks = frame.landmarks.iter().map(|seen| {
            let miss_px = seen.residual_px(&self.given, state)?;
            Some(LANDMARK_LOSS.value(miss_px.norm_squared() / seen.sd_px.powi(2)))
        });
        let known = self.picture_chi2(state);
        Some(0.5 * (known + losses.chain(landmarks).sum::<Option<f64>>()?))
    }

    fn picture_moves(&self) -> bool {
        self.view.contains(&PICTURE)
    }

    fn picture_chi2(&self, state: &FrameState) -> f64 {
        match self.picture_moves() {
            true => self.picture.chi2(&state.picture),
            false => 0.0,
        }
    }

    /// Puts every surface at the tried deflection whose tag comes nearest to the picture.
    fn with_scanned_angles(&self, frame: &ObservedFrame, mut state: FrameState) -> FrameState {
        for seen in frame.kept() {
            let Target::Surface(surface) = seen.target else {
                continue;
            };
            let [from, to] = self.scan_rad[surface];
            let count = ((to - from) / SCAN_STEP_RAD).ceil().max(1.0) as usize;
            let hinged = &self.given.constants.surfaces[surface];
            let corners = corners_in_tag(seen.edge_mm);
            let miss = |angle_rad: f64| -> f64 {
                let camera_from_tag = state.camera_from_reference
                    * hinged
                        .hinge
                        .carry(&hinged.reference_from_tag_at_zero, angle_rad);
                let misses = SCANNED_CORNERS.map(|index| {
                    let seen_at = seen.corners_px.fixed_rows::<2>(2 * index);
                    self.given
                        .camera
                        .project(&(camera_from_tag * corners[index]))
                        .map_or(f64::INFINITY, |point| (point.coords - seen_at).norm())
                });
                misses[0] + misses[1]
            };
            let angles = (0..=count).map(|step| {
                let angle_rad = from + (to - from) * step as f64 / count as f64;
                (angle_rad, miss(angle_rad))
            });
            if let Some((angle_rad, _)) = angles.min_by(|a, b| a.1.total_cmp(&b.1)) {
                state.angles_rad[surface] = angle_rad;
            }
        }
        state
    }

    /// Settles one frame from where it is; the state with its cost.
    pub fn settle(&self, frame: &ObservedFrame, start: FrameState) -> Option<(FrameState, f64)> {
        let mut found = descend(&OneFrame { fit: self, frame }, start, &POLICY).ok()?;
        // A wild step may have gone round: whole turns do not show in the picture.
        for angle_rad in &mut found.state.angles_rad {
            *angle_rad = (*angle_rad + PI).rem_euclid(2.0 * PI) - PI;
        }
        Some((found.state, found.cost))
    }

    fn linearised(&self, frame: &ObservedFrame, state: &FrameState) -> Option<FrameSystem> {
        let mut system = FrameSystem {
            view: self.view.clone(),
            information: ViewMatrix::zeros(),
            of_tags: ViewMatrix::zeros(),
            gradient: ViewVector::zeros(),
            angles: vec![],
            cost: 0.0,
        };
        for seen in frame.kept() {
            let line = linearise::<FRAME_ALONE>(seen, &self.given, state)?;
            let by_view = line.columns.fixed_columns::<VIEW_UNKNOWNS>(POSE);
            let miss = line.columns.column(RESIDUAL);
            let chi2 = miss.norm_squared();
            let weight = self.loss.weight(chi2);
            system.cost += 0.5 * self.loss.value(chi2);
            system.of_tags += by_view.tr_mul(&by_view) * weight;
            system.gradient += by_view.tr_mul(&miss) * weight;
            if let Target::Surface(surface) = seen.target {
                system.angles.push(Angle {
                    surface,
                    coupling: by_view.tr_mul(&line.by_angle) * weight,
                    slope: line.by_angle.dot(&miss) * weight,
                    curvature: line.by_angle.norm_squared() * weight,
                });
            }
        }
        system.information = system.of_tags;
        for seen in &frame.landmarks {
            let line = seen.linearise::<FRAME_ALONE>(&self.given, state)?;
            system.add_landmark(&line);
        }
        if self.picture_moves() {
            system.cost += 0.5 * self.picture.chi2(&state.picture);
            for (index, information, gradient) in self.picture.terms(&state.picture, 1.0) {
                let place = PICTURE + index;
                system.information[(place, place)] += information;
                system.gradient[place] += gradient;
            }
        }
        Some(system)
    }
}

/// One frame as a problem of its own.
struct OneFrame<'a> {
    fit: &'a FrameFit<'a>,
    frame: &'a ObservedFrame,
}

impl Descent for OneFrame<'_> {
    type State = FrameState;
    type Equations = FrameSystem;

    fn equations(&self, state: &FrameState, _damping: f64) -> Option<(FrameSystem, f64)> {
        let system = self.fit.linearised(self.frame, state)?;
        let cost = system.cost;
        Some((system, cost))
    }

    fn step(
        &self,
        state: &FrameState,
        system: &mut FrameSystem,
        damping: f64,
    ) -> Option<(FrameState, f64)> {
        system.step(state, damping)
    }

    fn cost(&self, state: &FrameState) -> Option<f64> {
        self.fit.cost(self.frame, state)
    }
}

/// Settles every frame that is used by itself, from where it is; one that fits nowhere stays there.
pub(in crate::motion) fn settle_frames(fit: &JointFit, state: &mut State) {
    let frame_fit = FrameFit::new(fit, fit.lens.given(&state.constants), fit.loss, &[]);
    let frames = fit.frames.par_iter().zip(&mut state.frames);
    let used = frames
        .with_min_len(SETTLED_AT_A_TIME)
        .filter(|(frame, _)| frame.is_used());
    used.for_each(|(frame, frame_state)| {
        if let Some((settled, _)) = frame_fit.settle(frame, frame_state.clone()) {
            *frame_state = settled;
        }
    });
}

/// Share of a moving view that the tags determine beside the landmarks, in the mean of all frames:
/// of the trace of its information, made a unit matrix by the whole of it.
pub(in crate::motion) fn view_share_of_tags(fit: &JointFit, state: &State) -> f64 {
    let frame_fit = FrameFit::new(fit, fit.lens.given(&state.constants), fit.loss, &[]);
    let share = |frame: &ObservedFrame, frame_state: &FrameState| {
        if !frame.is_used() {
            return None;
        }
        let system = frame_fit.linearised(frame, frame_state)?;
        let (whole, _) = system.without_angles(1.0);
        let beside_tags = system.only_fitted(system.information - system.of_tags);
        let fitted = system.view.len();
        let share_beside = whole.cholesky()?.solve(&beside_tags).trace() / fitted as f64;
        Some(1.0 - share_beside)
    };
    let shares = fit.of_frames(state, share).into_iter();
    let shares: Vec<f64> = shares.flatten().collect();
    match shares.len() {
        0 => 1.0,
        count => shares.iter().sum::<f64>() / count as f64,
    }
}

type ViewMatrix = SMatrix<f64, VIEW_UNKNOWNS, VIEW_UNKNOWNS>;
type ViewVector = SVector<f64, VIEW_UNKNOWNS>;

/// Normal equations of one frame at a state.
struct FrameSystem {
    view: Range<usize>,
    information: ViewMatrix,
    /// The part of the information that comes from tags.
    of_tags: ViewMatrix,
    gradient: ViewVector,
    angles: Vec<Angle>,
    /// Half the loss of the frame's sightings.
    cost: f64,
}

/// A deflection in the normal equations.
struct Angle {
    surface: usize,
    coupling: ViewVector,
    slope: f64,
    curvature: f64,
}

impl FrameSystem {
    fn add_landmark(&mut self, line: &SMatrix<f64, 2, FRAME_ALONE>) {
        let by_view = line.fixed_columns::<VIEW_UNKNOWNS>(POSE);
        let miss = line.column(RESIDUAL);
        let chi2 = miss.norm_squared();
        let weight = LANDMARK_LOSS.weight(chi2);
        self.cost += 0.5 * LANDMARK_LOSS.value(chi2);
        self.information += by_view.tr_mul(&by_view) * weight;
        self.gradient += by_view.tr_mul(&miss) * weight;
    }

    /// Zeros in rows and columns of unknowns that are not fitted.
    fn only_fitted(&self, mut information: ViewMatrix) -> ViewMatrix {
        for index in (0..VIEW_UNKNOWNS).filter(|index| !self.view.contains(index)) {
            information.fill_row(index, 0.0);
            information.fill_column(index, 0.0);
        }
        information
    }

    fn determined_angles(&self, damped: f64) -> impl Iterator<Item = &Angle> {
        let angles = self.angles.iter();
        angles.filter(move |angle| angle.curvature * damped > f64::MIN_POSITIVE)
    }

    /// Information and gradient of the view, the deflections eliminated; unknowns that are not fitted have a
    /// one on the diagonal, and no gradient.
    fn without_angles(&self, damped: f64) -> (ViewMatrix, ViewVector) {
        let (mut information, mut gradient) = (self.information, self.gradient);
        for angle in self.determined_angles(damped) {
            let curvature = angle.curvature * damped;
            information -= angle.coupling * angle.coupling.transpose() / curvature;
            gradient -= angle.coupling * (angle.slope / curvature);
        }
        information = self.only_fitted(information);
        for index in (0..VIEW_UNKNOWNS).filter(|index| !self.view.contains(index)) {
            information[(index, index)] = 1.0;
            gradient[index] = 0.0;
        }
        (information, gradient)
    }

    /// A damped Gauss–Newton step, and by how much it promises to lower the cost.
    fn step(&self, state: &FrameState, damping: f64) -> Option<(FrameState, f64)> {
        let damped = 1.0 + damping;
        let (mut information, gradient) = self.without_angles(damped);
        let angles = || self.determined_angles(damped);
        let mut promised: f64 = angles()
            .map(|angle| 0.5 * angle.slope * angle.slope / (angle.curvature * damped))
            .sum();
        let mut stepped = state.clone();
        let mut view_step = ViewVector::zeros();
        if !self.view.is_empty() {
            for index in self.view.clone() {
                information[(index, index)] *= damped;
            }
            view_step = -information.cholesky()?.solve(&gradient);
            promised -= 0.5 * gradient.dot(&view_step);
            stepped.step_view(&view_step);
        }
        for angle in angles() {
            stepped.angles_rad[angle.surface] -=
                (angle.slope + angle.coupling.dot(&view_step)) / (angle.curvature * damped);
        }
        Some((stepped, promised))
    }
}
