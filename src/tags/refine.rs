//! Corner refinement: fits the whole printed pattern to the pixels.
//!
//! The border and all inner cell edges are fitted together, in linear light, with the blur, the
//! illumination and its slope across the tag as unknowns; so narrow cells cannot pull at their
//! neighbours as they do where edges are fitted one by one. Corners are those of the fitted
//! pattern and come with their joint covariance.

use nalgebra::{Cholesky, Const, Matrix3, Point2, SMatrix, Vector3};

use super::appearance::{
    Appearance, BLACK, BLUR, HALF, UNKNOWNS, Unknowns, WHITE, contrast, corners_of,
};
use super::correlation::variance_factor;
use super::mosaic::{Mosaic, MosaicEvidence};
use super::patch::{BLOCKS, Patch};
use super::pattern::Pattern;
use super::sensor::Sensor;
use super::{CornerCovariance, DropReason};
use crate::clip::GreyImage;
use crate::geometry::quadrilateral;

type Normal = SMatrix<f64, UNKNOWNS, UNKNOWNS>;

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
    /// What the tag tells of the sensor's mosaic.
    pub(super) mosaic: MosaicEvidence,
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
    sensor: &Sensor,
    pattern: &Pattern,
    start_px: &[Point2<f64>; 4],
) -> Result<PatternFit, DropReason> {
    let (patch, patch_from_tag) = Patch::cut(image, &sensor.tone, start_px)?;
    if patch.pixels.len() < 4 * UNKNOWNS {
        return Err(DropReason::TooSmall);
    }
    let mut result = Err(DropReason::NotFound);
    for blur_px in START_BLURS_PX {
        let start = start_state(&patch, &patch_from_tag, blur_px);
        let fit = Fit {
            pattern,
            patch: &patch,
            mosaic: sensor.mosaic,
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
    mosaic: Mosaic,
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
        let appearance = Appearance::new(self.pattern, self.patch, self.mosaic, state)?;
        let mut sums = Sums::zero();
        for pixel in self.patch.pixels.iter().step_by(stride) {
            let compared = appearance.compare(pixel);
            let (residual, row) = (compared.residual, &compared.by_unknowns);
            let block = usize::from(pixel.block);
            sums.block_squares[block] += residual * residual;
            sums.block_count[block] += 1.0;
            if !self.used[block] {
                continue;
            }
            let weight = self.weight(residual);
            sums.squares += weight * residual * residual;
            sums.weight += weight;
            sums.gradient.axpy(weight * residual, row, 1.0);
            if with_matrix {
                sums.normal.syger(weight, row, row, 1.0);
            }
        }
        if with_matrix {
            sums.normal.fill_upper_triangle_with_lower_triangle();
        }
        sums.squares.is_finite().then_some(sums)
    }

    /// Weight of a residual (Huber 1964).
    fn weight(&self, residual: f64) -> f64 {
        let reach = HUBER_SD * self.noise;
        if residual.abs() > reach {
            reach / residual.abs()
        } else {
            1.0
        }
    }

    fn finish(
        &self,
        state: &Unknowns,
        sums: &Sums,
        cofactors: &Normal,
    ) -> Result<PatternFit, DropReason> {
        let noise = sums.noise();
        let (corners_px, corners_from_state) = corners_of(state, self.patch);
        let homography_cofactors: SMatrix<f64, BLUR, BLUR> =
            cofactors.fixed_view::<BLUR, BLUR>(0, 0).into();
        let look = self
            .last_look(state, cofactors)
            .ok_or(DropReason::NotFound)?;
        let variance = noise.powi(2) * look.variance_factor;
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
            mosaic: MosaicEvidence {
                information: look.mosaic_information / variance,
                weighted: look.mosaic_weighted / variance,
            },
        };
        let sound = covariance_px2.iter().all(|entry| entry.is_finite()) && contrast > 0.0;
        if sound {
            Ok(fit)
        } else {
            Err(DropReason::NotFound)
        }
    }
}

/// What a fit that has arrived tells beside its unknowns.
struct LastLook {
    /// How much the residuals that neighbours share widen the doubt.
    variance_factor: f64,
    /// Evidence on the mosaic, for residuals of variance 1.
    mosaic_information: Matrix3<f64>,
    mosaic_weighted: Vector3<f64>,
}

impl Fit<'_> {
    fn last_look(&self, state: &Unknowns, cofactors: &Normal) -> Option<LastLook> {
        let appearance = Appearance::new(self.pattern, self.patch, self.mosaic, state)?;
        let [width_px, height_px] = self.patch.size_px;
        let mut residuals = vec![None; width_px * height_px];
        let reach = HUBER_SD * self.noise;
        let mut shared = SMatrix::<f64, UNKNOWNS, 3>::zeros();
        let (mut information, mut gradient) = (Matrix3::zeros(), Vector3::zeros());
        for pixel in &self.patch.pixels {
            if !self.used[usize::from(pixel.block)] {
                continue;
            }
            let compared = appearance.compare(pixel);
            let place = usize::from(pixel.row) * width_px + usize::from(pixel.column);
            residuals[place] = Some(compared.residual.clamp(-reach, reach));
            let weight = self.weight(compared.residual);
            let by_mosaic = compared.by_mosaic;
            shared.ger(weight, &compared.by_unknowns, &by_mosaic, 1.0);
            information.ger(weight, &by_mosaic, &by_mosaic, 1.0);
            gradient.axpy(weight * compared.residual, &by_mosaic, 1.0);
        }
        // The other unknowns are left free: what they can explain as well is no evidence.
        let information = information - shared.tr_mul(&(cofactors * shared));
        Some(LastLook {
            variance_factor: variance_factor(&residuals, width_px),
            mosaic_information: information,
            mosaic_weighted: gradient + information * self.mosaic.to_vector(),
        })
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
