//! Corner refinement: fits the whole printed pattern to the pixels.
//!
//! The border and all inner cell edges are fitted together, in linear light, with the blur, the
//! illumination and its slope across the tag as unknowns; so narrow cells cannot pull at their
//! neighbours as they do where edges are fitted one by one. Corners are those of the fitted
//! pattern and come with their joint covariance.

use nalgebra::{Cholesky, Const, Matrix3, Point2, SMatrix, SVector};

use super::correlation::variance_factor;
use super::patch::{BLOCKS, Patch, Pixel};
use super::pattern::{CELLS, Pattern};
use super::tone::Tone;
use super::{CornerCovariance, DropReason};
use crate::clip::GreyImage;
use crate::geometry::{homography, quadrilateral};

/// Unknowns: 8 of the homography, 2 of the blur (cells), light of white and of black, each with
/// its slopes along the patch.
const UNKNOWNS: usize = 16;
const BLUR: usize = 8;
const WHITE: usize = 10;
const BLACK: usize = 13;

type Normal = SMatrix<f64, UNKNOWNS, UNKNOWNS>;
type Unknowns = SVector<f64, UNKNOWNS>;

/// Half the black square's side in cells.
const HALF: f64 = CELLS as f64 / 2.0;

/// A pattern that was fitted to the pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct PatternFit {
    /// Outer corners of the black border, as printed.
    pub corners_px: [Point2<f64>; 4],
    /// Joint covariance of the corners.
    pub covariance_px2: CornerCovariance,
    /// Mean edge of the black square.
    pub edge_px: f64,
    /// Standard deviation of the blur along the tag's axes, cells.
    pub blur_cells: [f64; 2],
    /// White minus black, as a share of the camera's range.
    pub contrast: f64,
    /// Standard deviation of the residuals, as a share of the contrast.
    pub residual_share: f64,
    /// Share of the tag's area that does not look as printed and was left out.
    pub hidden_share: f64,
    /// Sum of squared residuals of the pixels used, in code values as shares of the range.
    pub(super) squares: f64,
}

/// Where the fit starts, px: the blur of a sharp lens and sensor, then a wide one, which reaches
/// edges that lie further off.
const START_BLURS_PX: [f64; 2] = [0.7, 1.6];

/// Residuals that a start is expected to leave, share of the range.
const START_NOISE: f64 = 0.05;

/// A fit with larger residuals, as a share of the contrast, may have caught the wrong edges.
const SUSPECT_RESIDUAL: f64 = 0.15;

/// The blur is kept within these bounds while the fit is on its way, cells.
const BLUR_RANGE: [f64; 2] = [0.04, 1.5];

/// Corners that move less than this in a step have arrived, px: a tenth of their noise in video.
const ARRIVED_PX: f64 = 0.005;

/// While corners move more than this in a step, every other pixel is enough, px.
const COARSE_PX: f64 = 0.2;
const COARSE_STRIDE: usize = 2;

/// A fit whose residuals are still above this share of the contrast after [`HOPEFUL_STEPS`] has
/// gone astray: half a cell off, about half of the cells disagree.
const ASTRAY_RESIDUAL: f64 = 0.3;
const HOPEFUL_STEPS: usize = 7;

/// Steps after which a fit has failed.
const MOST_STEPS: usize = 16;

/// Steps with a fresh matrix; later steps use it again, since it hardly changes.
const MATRIX_STEPS: usize = 2;

/// Steps that shrink by less than this call for a fresh matrix: sixteen steps would not arrive.
const SLOW_RATIO: f64 = 0.5;

/// No corner moves further than this in one step, cells, so that edges cannot be skipped.
const LONGEST_STEP_CELLS: f64 = 0.6;

/// Residuals beyond this many standard deviations count by their size only (Huber 1964).
const HUBER_SD: f64 = 2.5;

/// Code values are whole numbers: no residual noise is believed below this share of the range.
const QUANTISATION_SD: f64 = 1.0 / 219.0 / 3.464;

/// A block is left out when its mean square is this many times the median of all blocks …
const MASK_RATIO: f64 = 12.0;

/// … and its residuals are above this share of the contrast.
const MASK_SHARE: f64 = 0.08;

/// Fits `pattern` from corners that are good to a pixel or two.
///
/// # Errors
///
/// Tells why there is no fit: the tag touches the border of the picture, or nothing like it is
/// there. Whether a fit is good enough is for the caller to judge.
pub fn refine(
    image: &GreyImage,
    tone: &Tone,
    pattern: &Pattern,
    start_px: &[Point2<f64>; 4],
) -> Result<PatternFit, DropReason> {
    let (patch, patch_from_tag) = Patch::cut(image, tone, start_px)?;
    if patch.pixels.len() < 4 * UNKNOWNS {
        return Err(DropReason::TooSmall);
    }
    let mut result = Err(DropReason::NotFound);
    for blur_px in START_BLURS_PX {
        let start = start_state(&patch, &patch_from_tag, blur_px);
        let fit = Fit {
            pattern,
            patch: &patch,
            used: [true; BLOCKS],
            noise: START_NOISE,
        };
        result = fit.run(start);
        if result
            .as_ref()
            .is_ok_and(|fit| fit.residual_share < SUSPECT_RESIDUAL)
        {
            break;
        }
    }
    result
}

fn start_state(patch: &Patch, patch_from_tag: &Matrix3<f64>, blur_px: f64) -> Unknowns {
    let mut state = Unknowns::zeros();
    for index in 0..BLUR {
        state[index] = patch_from_tag[(index / 3, index % 3)];
    }
    let cell_px = patch.scale_px / HALF;
    state[BLUR] = blur_px / cell_px;
    state[BLUR + 1] = blur_px / cell_px;
    let mut light: Vec<f64> = patch.pixels.iter().map(|pixel| pixel.light).collect();
    light.sort_by(f64::total_cmp);
    state[BLACK] = light[light.len() / 10];
    state[WHITE] = light[light.len() * 9 / 10];
    state
}

struct Fit<'a> {
    pattern: &'a Pattern,
    patch: &'a Patch,
    /// Blocks that look as printed.
    used: [bool; BLOCKS],
    /// Standard deviation of the residuals, share of the range.
    noise: f64,
}

/// Sums over the pixels at one state.
struct Sums {
    normal: Normal,
    gradient: Unknowns,
    squares: f64,
    weight: f64,
    block_squares: [f64; BLOCKS],
    block_count: [f64; BLOCKS],
}

impl Fit<'_> {
    fn run(mut self, mut state: Unknowns) -> Result<PatternFit, DropReason> {
        let mut factor: Option<Cholesky<f64, Const<UNKNOWNS>>> = None;
        let (mut coarse, mut masked) = (true, false);
        let mut matrices_left = MATRIX_STEPS;
        let mut moved_before_px = f64::INFINITY;
        for taken in 0..MOST_STEPS {
            let with_matrix = matrices_left > 0;
            let stride = if coarse { COARSE_STRIDE } else { 1 };
            let sums = self
                .sums(&state, stride, with_matrix)
                .ok_or(DropReason::NotFound)?;
            if with_matrix {
                factor = Some(sums.normal.cholesky().ok_or(DropReason::NotFound)?);
                matrices_left -= 1;
            }
            let Some(factor) = &factor else { break };
            self.noise = sums.noise();
            if taken >= HOPEFUL_STEPS && self.noise > ASTRAY_RESIDUAL * contrast(&state, self.patch)
            {
                break;
            }
            let (step, moved_px) = self.bounded(factor.solve(&sums.gradient));
            state += step;
            for index in [BLUR, BLUR + 1] {
                state[index] = state[index].clamp(BLUR_RANGE[0], BLUR_RANGE[1]);
            }
            if moved_px > LONGEST_STEP_CELLS * 0.5 * self.patch.scale_px / HALF {
                matrices_left = MATRIX_STEPS;
            } else if coarse {
                if moved_px < COARSE_PX {
                    coarse = false;
                    matrices_left = 1;
                }
            } else if moved_px < ARRIVED_PX {
                if masked || !self.mask(&sums, &state) {
                    return self.finish(&state, &sums, &factor.inverse());
                }
                masked = true;
                matrices_left = 1;
            } else if moved_px > SLOW_RATIO * moved_before_px {
                matrices_left = 1;
            }
            moved_before_px = moved_px;
        }
        Err(DropReason::NotFound)
    }

    /// Shortens a step that would move a corner too far; also how far corners move, px.
    fn bounded(&self, step: Unknowns) -> (Unknowns, f64) {
        let moved_px = step.fixed_rows::<BLUR>(0).amax() * 2.0 * self.patch.scale_px;
        let longest_px = LONGEST_STEP_CELLS * self.patch.scale_px / HALF;
        if moved_px > longest_px {
            (step * (longest_px / moved_px), moved_px)
        } else {
            (step, moved_px)
        }
    }

    /// Leaves blocks out that do not look as printed; tells whether there are any.
    fn mask(&mut self, sums: &Sums, state: &Unknowns) -> bool {
        let mean_square =
            |block: usize| sums.block_squares[block] / sums.block_count[block].max(1.0);
        let mut sorted: Vec<f64> = (0..BLOCKS)
            .filter(|&block| sums.block_count[block] > 0.0)
            .map(mean_square)
            .collect();
        sorted.sort_by(f64::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let visible = (MASK_SHARE * contrast(state, self.patch)).powi(2);
        for (block, used) in self.used.iter_mut().enumerate() {
            *used = mean_square(block) < (MASK_RATIO * median).max(visible);
        }
        self.used.contains(&false)
    }

    fn sums(&self, state: &Unknowns, stride: usize, with_matrix: bool) -> Option<Sums> {
        let patch_from_tag = matrix(state);
        let tag_from_patch = patch_from_tag.try_inverse()?;
        let mut sums = Sums::zero();
        let reach = HUBER_SD * self.noise;
        for pixel in self.patch.pixels.iter().step_by(stride) {
            let (residual, row) = self.residual(state, &patch_from_tag, &tag_from_patch, pixel);
            let block = usize::from(pixel.block);
            sums.block_squares[block] += residual * residual;
            sums.block_count[block] += 1.0;
            if !self.used[block] {
                continue;
            }
            let weight = if residual.abs() > reach {
                reach / residual.abs()
            } else {
                1.0
            };
            sums.squares += weight * residual * residual;
            sums.weight += weight;
            sums.gradient.axpy(weight * residual, &row, 1.0);
            if with_matrix {
                sums.normal.syger(weight, &row, &row, 1.0);
            }
        }
        if with_matrix {
            sums.normal.fill_upper_triangle_with_lower_triangle();
        }
        sums.squares.is_finite().then_some(sums)
    }

    /// Residual of a pixel in shares of the range, and the change of the model with the unknowns.
    fn residual(
        &self,
        state: &Unknowns,
        patch_from_tag: &Matrix3<f64>,
        tag_from_patch: &Matrix3<f64>,
        pixel: &Pixel,
    ) -> (f64, Unknowns) {
        let (p, q, g) = (pixel.p, pixel.q, tag_from_patch);
        let depth = 1.0 / (g[(2, 0)] * p + g[(2, 1)] * q + g[(2, 2)]);
        let a = (g[(0, 0)] * p + g[(0, 1)] * q + g[(0, 2)]) * depth;
        let b = (g[(1, 0)] * p + g[(1, 1)] * q + g[(1, 2)]) * depth;
        let blur = [state[BLUR], state[BLUR + 1]];
        let shade = self.pattern.shade((a + 1.0) * HALF, (b + 1.0) * HALF, blur);
        // Change of the shade along the patch, through the inverse homography.
        let (along_a, along_b) = (shade.du * HALF * depth, shade.dv * HALF * depth);
        let along_p = along_a * (g[(0, 0)] - a * g[(2, 0)]) + along_b * (g[(1, 0)] - b * g[(2, 0)]);
        let along_q = along_a * (g[(0, 1)] - a * g[(2, 1)]) + along_b * (g[(1, 1)] - b * g[(2, 1)]);

        let white = state[WHITE] + state[WHITE + 1] * p + state[WHITE + 2] * q;
        let black = state[BLACK] + state[BLACK + 1] * p + state[BLACK + 2] * q;
        let light = black + (white - black) * shade.white;
        let per_shade = (white - black) * pixel.slope;
        // A pattern that moves to the right darkens what lay to its left: hence the minus.
        let forward = 1.0
            / (patch_from_tag[(2, 0)] * a + patch_from_tag[(2, 1)] * b + patch_from_tag[(2, 2)]);
        let (move_p, move_q) = (
            -per_shade * along_p * forward,
            -per_shade * along_q * forward,
        );
        let perspective = -(move_p * p + move_q * q);
        let (of_white, of_black) = (pixel.slope * shade.white, pixel.slope * (1.0 - shade.white));
        let row = Unknowns::from([
            move_p * a,
            move_p * b,
            move_p,
            move_q * a,
            move_q * b,
            move_q,
            perspective * a,
            perspective * b,
            per_shade * shade.dblur_u,
            per_shade * shade.dblur_v,
            of_white,
            of_white * p,
            of_white * q,
            of_black,
            of_black * p,
            of_black * q,
        ]);
        ((pixel.light - light) * pixel.slope, row)
    }

    fn finish(
        &self,
        state: &Unknowns,
        sums: &Sums,
        cofactors: &Normal,
    ) -> Result<PatternFit, DropReason> {
        let noise = sums.noise();
        let (corners_px, corners_from_state) = corners(state, self.patch);
        let homography_cofactors: SMatrix<f64, BLUR, BLUR> =
            cofactors.fixed_view::<BLUR, BLUR>(0, 0).into();
        let variance = noise.powi(2) * self.variance_factor(state).ok_or(DropReason::NotFound)?;
        let covariance_px2 =
            corners_from_state * homography_cofactors * corners_from_state.transpose() * variance;
        let hidden: f64 = (0..BLOCKS)
            .filter(|&block| !self.used[block])
            .map(|block| sums.block_count[block])
            .sum();
        let contrast = contrast(state, self.patch);
        let fit = PatternFit {
            corners_px,
            covariance_px2,
            edge_px: quadrilateral::mean_edge(&corners_px),
            blur_cells: [state[BLUR], state[BLUR + 1]],
            contrast,
            residual_share: noise / contrast.max(f64::MIN_POSITIVE),
            hidden_share: hidden / self.patch.pixels.len() as f64,
            squares: sums.squares,
        };
        let sound = covariance_px2.iter().all(|entry| entry.is_finite()) && contrast > 0.0;
        if sound {
            Ok(fit)
        } else {
            Err(DropReason::NotFound)
        }
    }
}

impl Fit<'_> {
    /// How much the residuals that neighbours share widen the doubt.
    fn variance_factor(&self, state: &Unknowns) -> Option<f64> {
        let patch_from_tag = matrix(state);
        let tag_from_patch = patch_from_tag.try_inverse()?;
        let [width_px, height_px] = self.patch.size_px;
        let mut residuals = vec![None; width_px * height_px];
        let reach = HUBER_SD * self.noise;
        for pixel in &self.patch.pixels {
            if self.used[usize::from(pixel.block)] {
                let (residual, _) = self.residual(state, &patch_from_tag, &tag_from_patch, pixel);
                let place = usize::from(pixel.row) * width_px + usize::from(pixel.column);
                residuals[place] = Some(residual.clamp(-reach, reach));
            }
        }
        Some(variance_factor(&residuals, width_px))
    }
}

impl Sums {
    fn zero() -> Self {
        Self {
            normal: Normal::zeros(),
            gradient: Unknowns::zeros(),
            squares: 0.0,
            weight: 0.0,
            block_squares: [0.0; BLOCKS],
            block_count: [0.0; BLOCKS],
        }
    }

    /// Standard deviation of the residuals, share of the range.
    fn noise(&self) -> f64 {
        let freedom = (self.weight - UNKNOWNS as f64).max(1.0);
        (self.squares / freedom).sqrt().max(QUANTISATION_SD)
    }
}

fn matrix(state: &Unknowns) -> Matrix3<f64> {
    Matrix3::new(
        state[0], state[1], state[2], state[3], state[4], state[5], state[6], state[7], 1.0,
    )
}

/// White minus black at the middle of the tag, as a share of the range of code values.
fn contrast(state: &Unknowns, patch: &Patch) -> f64 {
    let share = |light: f64| light.max(0.0).powf(1.0 / patch.tone_exponent);
    share(state[WHITE]) - share(state[BLACK])
}

/// Corners in the picture and their change with the homography's entries.
fn corners(state: &Unknowns, patch: &Patch) -> ([Point2<f64>; 4], SMatrix<f64, 8, BLUR>) {
    let patch_from_tag = matrix(state);
    let mut derivative = SMatrix::<f64, 8, BLUR>::zeros();
    let mut corners_px = [Point2::origin(); 4];
    for (k, (a, b)) in homography::SQUARE.into_iter().enumerate() {
        let place = homography::map(&patch_from_tag, a, b);
        corners_px[k] = patch.to_px(place);
        let per_depth =
            patch.scale_px / (patch_from_tag[(2, 0)] * a + patch_from_tag[(2, 1)] * b + 1.0);
        let row = [a * per_depth, b * per_depth, per_depth];
        for (index, value) in row.into_iter().enumerate() {
            derivative[(2 * k, index)] = value;
            derivative[(2 * k + 1, 3 + index)] = value;
        }
        for (index, value) in [a * per_depth, b * per_depth].into_iter().enumerate() {
            derivative[(2 * k, 6 + index)] = -value * place.x;
            derivative[(2 * k + 1, 6 + index)] = -value * place.y;
        }
    }
    (corners_px, derivative)
}
