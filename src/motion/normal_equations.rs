//! Normal equations with every per-frame unknown eliminated (Schur complement).
//!
//! A deflection occurs in one sighting only, so it is eliminated there; a camera pose occurs in
//! one frame only and is eliminated next. What remains are the constants: the work grows linearly
//! with the frames. Frames are summed in pieces of fixed size and in order, so that the result
//! does not depend on the number of threads.

use nalgebra::{Cholesky, Const, DMatrix, DVector, SMatrix, SVector};
use rayon::prelude::*;

use super::joint_fit::{JointFit, State};
use super::observation::{Observation, ObservedFrame, Target};
use super::parameters::{CORNER_ERRORS, FrameState, Layout};
use super::prediction::{
    CORNER_ERROR, EDGE_SHIFT, LENS, OWN, POSE, RESIDUAL, WITH_CORNER_ERRORS, WITH_LENS,
    WITHOUT_LENS, linearise,
};
use crate::camera::Camera;

/// Frames that are summed by one thread at a time.
const PIECE: usize = 64;

type Gram<const N: usize> = SMatrix<f64, N, N>;
type PoseMatrix = SMatrix<f64, 6, 6>;
type PoseVector = SVector<f64, 6>;

/// How an eliminated deflection follows everything else: −(coupling · rest) / curvature.
#[derive(Debug, Clone)]
pub(super) struct AngleElimination {
    pub surface: usize,
    pub by_pose: PoseVector,
    /// Constants and how the deflection is coupled to them.
    pub by_constants: Vec<(usize, f64)>,
    pub gradient: f64,
    pub curvature: f64,
    /// Weight that the sighting had.
    pub share: f64,
}

/// How an eliminated camera pose follows the constants: −(offset + coupling · constants).
#[derive(Debug, Clone)]
pub(super) struct PoseElimination {
    pub offset: PoseVector,
    pub coupling: Vec<(usize, PoseVector)>,
    /// Of the pose's own information.
    pub root: Cholesky<f64, Const<6>>,
}

/// What was eliminated in one frame.
#[derive(Debug, Clone, Default)]
pub(super) struct FrameElimination {
    pub pose: Option<PoseElimination>,
    pub angles: Vec<AngleElimination>,
}

/// The reduced system of the constants, and what it takes to go back.
#[derive(Debug, Clone)]
pub(super) struct Reduced {
    pub information: DMatrix<f64>,
    pub gradient: DVector<f64>,
    /// Diagonal before elimination: the scale of each constant.
    pub scale: DVector<f64>,
    pub frames: Vec<FrameElimination>,
    /// The point at which it was taken is outside the model.
    pub broken: bool,
}

impl Reduced {
    fn empty(constants: usize) -> Self {
        Self {
            information: DMatrix::zeros(constants, constants),
            gradient: DVector::zeros(constants),
            scale: DVector::zeros(constants),
            frames: vec![],
            broken: false,
        }
    }

    fn join(&mut self, piece: Self) {
        self.information += piece.information;
        self.gradient += piece.gradient;
        self.scale += piece.scale;
        self.frames.extend(piece.frames);
        self.broken |= piece.broken;
    }
}

/// Linearises all frames at a state and eliminates what is theirs; `damping` multiplies every
/// diagonal of the eliminated blocks.
pub(super) fn reduce(fit: &JointFit, state: &State, damping: f64) -> Reduced {
    if fit.layout.corner_errors {
        reduce_sized::<WITH_CORNER_ERRORS>(fit, state, damping)
    } else if fit.layout.lens {
        reduce_sized::<WITH_LENS>(fit, state, damping)
    } else {
        reduce_sized::<WITHOUT_LENS>(fit, state, damping)
    }
}

fn reduce_sized<const N: usize>(fit: &JointFit, state: &State, damping: f64) -> Reduced {
    let camera = fit.lens.camera(&state.constants);
    let pieces: Vec<Reduced> = fit
        .frames
        .par_chunks(PIECE)
        .zip(state.frames.par_chunks(PIECE))
        .map(|(frames, states)| {
            let mut piece = Reduced::empty(fit.layout.constants());
            for (frame, frame_state) in frames.iter().zip(states) {
                let work = FrameWork::<N> {
                    fit,
                    state,
                    camera: &camera,
                    damping,
                };
                match work.eliminate(frame, frame_state, &mut piece) {
                    Some(eliminated) => piece.frames.push(eliminated),
                    None => {
                        piece.broken = true;
                        piece.frames.push(FrameElimination::default());
                    }
                }
            }
            piece
        })
        .collect();
    let mut whole = Reduced::empty(fit.layout.constants());
    pieces.into_iter().for_each(|piece| whole.join(piece));
    whole
}

/// The elimination of one frame.
struct FrameWork<'a, const N: usize> {
    fit: &'a JointFit,
    state: &'a State,
    camera: &'a Camera,
    damping: f64,
}

/// Pose block of a frame while it is summed.
struct PoseBlock {
    information: PoseMatrix,
    gradient: PoseVector,
    coupling: Vec<(usize, PoseVector)>,
}

impl<const N: usize> FrameWork<'_, N> {
    fn eliminate(
        &self,
        frame: &ObservedFrame,
        frame_state: &FrameState,
        piece: &mut Reduced,
    ) -> Option<FrameElimination> {
        let mut eliminated = FrameElimination::default();
        let mut pose = PoseBlock {
            information: PoseMatrix::zeros(),
            gradient: PoseVector::zeros(),
            coupling: Vec::with_capacity(self.fit.layout.constants()),
        };
        for seen in frame.kept() {
            let pairs = column_pairs(&self.fit.layout, seen.target);
            let (gram, angle) = self.sighting(seen, frame_state, &pairs)?;
            add_constants(piece, &gram, &pairs);
            if self.fit.layout.camera_moves {
                add_pose(&mut pose, &gram, &pairs);
            }
            eliminated.angles.extend(angle);
        }
        if self.fit.layout.camera_moves && eliminated_anything(frame) {
            eliminated.pose = Some(self.eliminate_pose(pose, piece)?);
        }
        Some(eliminated)
    }

    /// Gram matrix of a sighting with its deflection eliminated.
    fn sighting(
        &self,
        seen: &Observation,
        frame_state: &FrameState,
        pairs: &[(usize, usize)],
    ) -> Option<(Gram<N>, Option<AngleElimination>)> {
        let line = linearise::<N>(
            seen,
            self.camera,
            &self.fit.lens,
            &self.state.constants,
            frame_state,
        )?;
        let chi2 = line.columns.column(RESIDUAL).norm_squared();
        let weight = self.fit.loss.weight(chi2) * seen.share;
        let mut gram = Gram::<N>::zeros();
        let columns = &line.columns.data.0;
        for column in 0..N {
            for row in 0..=column {
                let product = weight * dot(&columns[row], &columns[column]);
                gram[(row, column)] = product;
                gram[(column, row)] = product;
            }
        }
        let Target::Surface(surface) = seen.target else {
            return Some((gram, None));
        };
        let curvature = weight * line.by_angle.norm_squared() * (1.0 + self.damping);
        // A tag turning about the line of sight through its centre still moves its corners, so
        // the curvature vanishes only for a sighting without weight.
        if curvature.is_nan() || curvature <= f64::MIN_POSITIVE {
            return Some((gram, None));
        }
        let coupling: SVector<f64, N> = line.columns.tr_mul(&line.by_angle) * weight;
        gram.ger(-1.0 / curvature, &coupling, &coupling, 1.0);
        let angle = AngleElimination {
            surface,
            by_pose: coupling.fixed_rows::<6>(POSE).into_owned(),
            by_constants: pairs
                .iter()
                .map(|(own, to)| (*to, coupling[*own]))
                .collect(),
            gradient: coupling[RESIDUAL],
            curvature,
            share: seen.share,
        };
        Some((gram, Some(angle)))
    }

    fn eliminate_pose(&self, mut pose: PoseBlock, piece: &mut Reduced) -> Option<PoseElimination> {
        for index in 0..6 {
            pose.information[(index, index)] *= 1.0 + self.damping;
        }
        let root: Cholesky<f64, Const<6>> = pose.information.cholesky()?;
        let offset = root.solve(&pose.gradient);
        let coupling: Vec<(usize, PoseVector)> = pose
            .coupling
            .iter()
            .map(|(column, block)| (*column, root.solve(block)))
            .collect();
        for (index, (column, block)) in pose.coupling.iter().enumerate() {
            piece.gradient[*column] -= block.dot(&offset);
            for (other, solved) in &coupling[..index] {
                let product = block.dot(solved);
                piece.information[(*column, *other)] -= product;
                piece.information[(*other, *column)] -= product;
            }
            piece.information[(*column, *column)] -= block.dot(&coupling[index].1);
        }
        Some(PoseElimination {
            offset,
            coupling,
            root,
        })
    }
}

/// Scalar product in four sums side by side, which a processor adds up at once.
fn dot(a: &[f64; 8], b: &[f64; 8]) -> f64 {
    let sums: [f64; 4] = std::array::from_fn(|i| a[i] * b[i] + a[i + 4] * b[i + 4]);
    (sums[0] + sums[2]) + (sums[1] + sums[3])
}

fn eliminated_anything(frame: &ObservedFrame) -> bool {
    frame.kept().next().is_some()
}

/// Columns of a sighting's Gram matrix and the constants that they belong to.
fn column_pairs(layout: &Layout, target: Target) -> Vec<(usize, usize)> {
    let own = layout
        .own(target)
        .into_iter()
        .flat_map(|(first, count)| (0..count).map(move |index| (OWN + index, first + index)));
    let edge = layout
        .edge_shift_column()
        .into_iter()
        .map(|column| (EDGE_SHIFT, column));
    let lens = layout
        .lens_column()
        .into_iter()
        .flat_map(|first| (LENS..WITH_LENS).map(move |index| (index, first + index - LENS)));
    let corners = layout.corner_error_column(target).into_iter();
    let corners = corners.flat_map(|first| {
        (0..CORNER_ERRORS).map(move |index| (CORNER_ERROR + index, first + index))
    });
    own.chain(edge).chain(lens).chain(corners).collect()
}

fn add_constants<const N: usize>(piece: &mut Reduced, gram: &Gram<N>, pairs: &[(usize, usize)]) {
    for (own, to) in pairs {
        piece.gradient[*to] += gram[(*own, RESIDUAL)];
        piece.scale[*to] += gram[(*own, *own)];
        for (other, to_other) in pairs {
            piece.information[(*to, *to_other)] += gram[(*own, *other)];
        }
    }
}

fn add_pose<const N: usize>(pose: &mut PoseBlock, gram: &Gram<N>, pairs: &[(usize, usize)]) {
    pose.information += gram.fixed_view::<6, 6>(POSE, POSE);
    pose.gradient += gram.fixed_view::<6, 1>(POSE, RESIDUAL);
    for (own, to) in pairs {
        let block = gram.fixed_view::<6, 1>(POSE, *own);
        match pose.coupling.iter_mut().find(|(column, _)| column == to) {
            Some((_, sum)) => *sum += block,
            None => pose.coupling.push((*to, block.into_owned())),
        }
    }
}
