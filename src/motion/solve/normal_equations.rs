//! Normal equations with every per-frame unknown eliminated (Schur complement).
//!
//! A deflection occurs in one sighting only, so it is eliminated there; a camera pose occurs in
//! one frame only and is eliminated next. What remains are the constants: the work grows linearly
//! with the frames. Frames are summed in pieces of fixed size and in order, so that the result
//! does not depend on the number of threads.
//!
//! The residual is one more column behind the constants: products with it are the
//! gradient, and its product with itself is the remaining sum of squares.

use std::ops::Range;

use nalgebra::{DMatrix, DVector, SMatrix, SVector};
use rayon::prelude::*;

use super::reduced::{
    AngleElimination, FrameElimination, Reduced, ViewElimination, ViewRows, ViewVector,
};
use crate::motion::problem::blocks::{
    ALL_COLUMNS, Block, PICTURE, POSE, RESIDUAL, UP_TO_BOWS, UP_TO_LENS, UP_TO_READOUT,
};
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::landmark_prediction::LANDMARK_LOSS;
use crate::motion::problem::layout::Slots;
use crate::motion::problem::observation::{Observation, ObservedFrame, PIECE, Target};
use crate::motion::problem::parameters::{FrameState, Given, VIEW_UNKNOWNS};
use crate::motion::problem::prediction::{Linearised, linearise};

type ViewMatrix = SMatrix<f64, VIEW_UNKNOWNS, VIEW_UNKNOWNS>;

/// Linearises all frames at a state and eliminates their own unknowns; `damping` multiplies every
/// diagonal of the eliminated blocks.
pub(in crate::motion) fn reduce(fit: &JointFit, state: &State, damping: f64) -> Reduced {
    let work = Work::new(fit, state, damping);
    let width = work.width();
    if width <= UP_TO_READOUT {
        work.reduced::<UP_TO_READOUT>()
    } else if width <= UP_TO_BOWS {
        work.reduced::<UP_TO_BOWS>()
    } else if width <= UP_TO_LENS {
        work.reduced::<UP_TO_LENS>()
    } else {
        work.reduced::<ALL_COLUMNS>()
    }
}

/// Sums over some frames.
struct Sums {
    /// Lower triangle of the products of constants and residual.
    products: DMatrix<f64>,
    scale: DVector<f64>,
    /// Of the weighted residuals, before elimination.
    squares: f64,
    cost: f64,
    frames: Vec<FrameElimination>,
    broken: bool,
}

impl Sums {
    fn empty(constants: usize) -> Self {
        Self {
            products: DMatrix::zeros(constants + 1, constants + 1),
            scale: DVector::zeros(constants + 1),
            squares: 0.0,
            cost: 0.0,
            frames: vec![],
            broken: false,
        }
    }

    fn join(&mut self, piece: Self) {
        self.products += piece.products;
        self.scale += piece.scale;
        self.squares += piece.squares;
        self.cost += piece.cost;
        self.frames.extend(piece.frames);
        self.broken |= piece.broken;
    }

    fn reduced(mut self) -> Reduced {
        let constants = self.scale.len() - 1;
        self.products.fill_upper_triangle_with_lower_triangle();
        let gradient = self.products.column(constants);
        Reduced {
            gradient: gradient.rows(0, constants).into_owned(),
            promised: 0.5 * (self.squares - gradient[constants]),
            information: self
                .products
                .view((0, 0), (constants, constants))
                .into_owned(),
            scale: self.scale.rows(0, constants).into_owned(),
            frames: self.frames,
            cost: self.cost,
            broken: self.broken,
        }
    }
}

/// The elimination of frames.
struct Work<'a> {
    fit: &'a JointFit,
    state: &'a State,
    given: Given<'a>,
    damping: f64,
    /// How many constants there are.
    constants: usize,
    /// One a tag, in the order of [`Layout::targets`].
    slots: Vec<Slots>,
    /// One a landmark.
    landmark_slots: Vec<Slots>,
}

/// View block of a frame while it is summed; the lower triangle of its information.
struct ViewBlock {
    information: ViewMatrix,
    coupling: ViewRows,
}

impl<'a> Work<'a> {
    fn new(fit: &'a JointFit, state: &'a State, damping: f64) -> Self {
        let layout = &fit.layout;
        let of_tag = |tag| layout.slots(|block: Block| block.column_in_tag(tag));
        let of_landmark =
            |landmark| layout.slots(|block: Block| block.column_in_landmark(landmark));
        Self {
            fit,
            state,
            given: fit.lens.given(&state.constants),
            damping,
            constants: layout.constants(),
            slots: layout.targets().map(of_tag).collect(),
            landmark_slots: (0..layout.landmarks).map(of_landmark).collect(),
        }
    }

    /// Columns that a linearised sighting needs.
    fn width(&self) -> usize {
        let slots = self.slots.iter().chain(&self.landmark_slots).flatten();
        slots.map(|(column, _)| column + 1).max().unwrap_or(0)
    }

    fn reduced<const N: usize>(&self) -> Reduced {
        let frames = self.fit.frames.par_chunks(PIECE);
        let pieces: Vec<Sums> = frames
            .zip(self.state.frames.par_chunks(PIECE))
            .map(|(frames, states)| self.piece::<N>(frames, states))
            .collect();
        let mut whole = Sums::empty(self.constants);
        pieces.into_iter().for_each(|piece| whole.join(piece));
        whole.reduced()
    }

    fn piece<const N: usize>(&self, frames: &[ObservedFrame], states: &[FrameState]) -> Sums {
        let constants = self.constants;
        let mut sums = Sums::empty(constants);
        // Couplings of all views, each divided by the root of its information.
        let view = self.fit.layout.view();
        let mut divided = DMatrix::zeros(view.len() * frames.len(), constants + 1);
        for (index, (frame, frame_state)) in frames.iter().zip(states).enumerate() {
            let eliminated = self.eliminate::<N>(frame, frame_state, &mut sums);
            sums.broken |= eliminated.is_none();
            let eliminated = eliminated.unwrap_or_default();
            if let Some(eliminated) = &eliminated.view {
                let mut rows = divided.rows_mut(view.len() * index, view.len());
                rows.copy_from(&eliminated.coupling.rows(view.start, view.len()));
                let root = eliminated.root.l_dirty();
                let root = root.view((view.start, view.start), (view.len(), view.len()));
                root.solve_lower_triangular_unchecked_mut(&mut rows);
            }
            sums.frames.push(eliminated);
        }
        if self.fit.layout.view_moves() {
            // One large product is far faster than one a frame.
            sums.products -= divided.transpose() * &divided;
        }
        sums
    }

    /// `None` outside the model, or where the view is not determined.
    fn eliminate<const N: usize>(
        &self,
        frame: &ObservedFrame,
        frame_state: &FrameState,
        sums: &mut Sums,
    ) -> Option<FrameElimination> {
        let mut eliminated = FrameElimination::default();
        let view_moves = self.fit.layout.view_moves() && frame.is_used();
        let mut view = view_moves.then(|| ViewBlock {
            information: ViewMatrix::zeros(),
            coupling: ViewRows::zeros(self.constants + 1),
        });
        for seen in frame.kept() {
            let angle = self.add_sighting::<N>(seen, frame_state, sums, view.as_mut());
            eliminated.angles.extend(angle?);
        }
        if let Some(mut view) = view {
            self.add_landmarks::<N>(frame, frame_state, sums, &mut view)?;
            self.add_picture_prior(frame, frame_state, sums, &mut view);
            let fitted = self.fit.layout.view();
            for index in 0..VIEW_UNKNOWNS {
                match fitted.contains(&index) {
                    true => view.information[(index, index)] *= 1.0 + self.damping,
                    false => view.information[(index, index)] = 1.0,
                }
            }
            eliminated.view = Some(ViewElimination {
                root: view.information.cholesky()?,
                coupling: view.coupling,
            });
        }
        Some(eliminated)
    }

    /// Adds the products of a sighting's columns, its deflection eliminated.
    ///
    /// `None` outside the model; then the cost is infinite.
    fn add_sighting<const N: usize>(
        &self,
        seen: &Observation,
        frame_state: &FrameState,
        sums: &mut Sums,
        view: Option<&mut ViewBlock>,
    ) -> Option<Option<AngleElimination>> {
        let fit = self.fit;
        let Some(mut line) = linearise::<N>(seen, &self.given, frame_state) else {
            sums.cost = f64::INFINITY;
            return None;
        };
        let chi2 = line.columns.column(RESIDUAL).norm_squared();
        let weight = fit.loss.weight(chi2) * seen.weight();
        sums.cost += 0.5 * seen.weight() * fit.loss.value(chi2);
        sums.squares += weight * chi2;
        line.columns *= weight.sqrt();
        line.by_angle *= weight.sqrt();
        let slots = &self.slots[fit.layout.tag(seen.target)];
        let angle = self.take_out_angle(seen, &mut line, slots);
        add_constants(sums, &line.columns, slots);
        if let Some(view) = view {
            add_view(view, fit.layout.view(), &line.columns, slots);
        }
        Some(angle)
    }

    /// Adds the products of the columns of a frame's landmarks.
    ///
    /// `None` outside the model; then the cost is infinite.
    fn add_landmarks<const N: usize>(
        &self,
        frame: &ObservedFrame,
        frame_state: &FrameState,
        sums: &mut Sums,
        view: &mut ViewBlock,
    ) -> Option<()> {
        let share = frame.share();
        for seen in &frame.landmarks {
            let Some(mut columns) = seen.linearise::<N>(&self.given, frame_state) else {
                sums.cost = f64::INFINITY;
                return None;
            };
            let chi2 = columns.column(RESIDUAL).norm_squared();
            let weight = share * LANDMARK_LOSS.weight(chi2);
            sums.cost += 0.5 * share * LANDMARK_LOSS.value(chi2);
            sums.squares += weight * chi2;
            columns *= weight.sqrt();
            let slots = &self.landmark_slots[seen.landmark];
            add_constants(sums, &columns, slots);
            add_view(view, self.fit.layout.view(), &columns, slots);
        }
        Some(())
    }

    /// Adds the prior of the motion of a frame's picture.
    fn add_picture_prior(
        &self,
        frame: &ObservedFrame,
        frame_state: &FrameState,
        sums: &mut Sums,
        view: &mut ViewBlock,
    ) {
        if !self.fit.layout.picture_moves {
            return;
        }
        let (prior, picture) = (&self.fit.priors.picture, &frame_state.picture);
        let constants = self.constants;
        let chi2 = frame.share() * prior.chi2(picture);
        sums.cost += 0.5 * chi2;
        sums.squares += chi2;
        // The residual's own product, as those of all columns are.
        sums.products[(constants, constants)] += chi2;
        for (index, information, gradient) in prior.terms(picture, frame.share()) {
            view.information[(PICTURE + index, PICTURE + index)] += information;
            view.coupling[(PICTURE + index, constants)] += gradient;
        }
    }

    /// Eliminates the deflection from a sighting's Jacobian columns: with a = `by_angle`, C becomes
    /// C − u a (aᵀ C) / a², so that the products of the new columns are those of the old less
    /// (Cᵀ a) (aᵀ C) / (a² (1 + damping)); hence 2 u − u² = 1 / (1 + damping).
    fn take_out_angle<const N: usize>(
        &self,
        seen: &Observation,
        line: &mut Linearised<N>,
        slots: &[(usize, usize)],
    ) -> Option<AngleElimination> {
        let Target::Surface(surface) = seen.target else {
            return None;
        };
        let square = line.by_angle.norm_squared();
        // A tag turning about the line of sight through its centre still moves its corners, so
        // the curvature vanishes only for a sighting without weight.
        if square.is_nan() || square <= f64::MIN_POSITIVE {
            return None;
        }
        let coupling: SVector<f64, N> = line.columns.tr_mul(&line.by_angle);
        let share = 1.0 - (self.damping / (1.0 + self.damping)).sqrt();
        line.columns
            .ger(-share / square, &line.by_angle, &coupling, 1.0);
        let fitted = self.fit.layout.view();
        let by_view = |index| {
            if fitted.contains(&index) {
                coupling[POSE + index]
            } else {
                0.0
            }
        };
        Some(AngleElimination {
            surface,
            by_view: ViewVector::from_fn(|index, _| by_view(index)),
            by_constants: slots[..slots.len() - 1]
                .iter()
                .map(|(column, to)| (*to, coupling[*column]))
                .collect(),
            gradient: coupling[RESIDUAL],
            curvature: square * (1.0 + self.damping),
            weight: seen.weight(),
            share: seen.share,
        })
    }
}

/// Scalar product in four sums side by side, which a processor adds up at once.
fn dot<const ROWS: usize>(a: &[f64; ROWS], b: &[f64; ROWS]) -> f64 {
    let mut sums = [0.0; 4];
    for row in 0..ROWS {
        sums[row % 4] += a[row] * b[row];
    }
    (sums[0] + sums[2]) + (sums[1] + sums[3])
}

fn add_constants<const ROWS: usize, const N: usize>(
    sums: &mut Sums,
    columns: &SMatrix<f64, ROWS, N>,
    slots: &[(usize, usize)],
) {
    let columns = &columns.data.0;
    for (index, (column, to)) in slots.iter().enumerate() {
        let right = &columns[*column];
        let mut products = sums.products.column_mut(*to);
        for (other, to_other) in &slots[index..] {
            products[*to_other] += dot(&columns[*other], right);
        }
        sums.scale[*to] += dot(right, right);
    }
}

fn add_view<const ROWS: usize, const N: usize>(
    view: &mut ViewBlock,
    fitted: Range<usize>,
    columns: &SMatrix<f64, ROWS, N>,
    slots: &[(usize, usize)],
) {
    let columns = &columns.data.0;
    for column in fitted.clone() {
        for row in column..fitted.end {
            view.information[(row, column)] += dot(&columns[POSE + row], &columns[POSE + column]);
        }
    }
    for (column, to) in slots {
        let mut coupling = view.coupling.column_mut(*to);
        for row in fitted.clone() {
            coupling[row] += dot(&columns[POSE + row], &columns[*column]);
        }
    }
}
