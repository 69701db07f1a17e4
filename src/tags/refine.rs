//! Corner refinement: fits the whole printed pattern to the pixels.
//!
//! The border and all inner cell edges are fitted together, in linear light, with the blur, the
//! illumination and its slope across the tag as unknowns; so narrow cells cannot pull at their
//! neighbours as they do where edges are fitted one by one. Corners are those of the fitted
//! pattern and come with their joint covariance.

use nalgebra::{Cholesky, Const, Matrix3, Point2, SMatrix, Vector3};

use super::appearance::{
    Appearance, BLUR, Compared, HALF, UNKNOWNS, Unknowns, WHITE, contrast, corners_of,
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
    /// Where the fit of the next frame starts.
    pub(super) look: Look,
}

/// How a tag looks, its place left aside: hardly anything of it changes from frame to frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Look {
    /// Standard deviation of the blur along the tag's axes.
    pub blur_cells: [f64; 2],
    /// Light of white and of black, each with its slopes along the patch.
    light: [f64; UNKNOWNS - WHITE],
}

/// Where the fit starts, px: the blur of a sharp lens and sensor, then a wide one, which reaches
/// edges that lie further off.
const START_BLURS_PX: [f64; 2] = [0.7, 1.6];

/// Residuals that a start is expected to leave, share of the range.
const START_NOISE: f64 = 0.05;

/// A fit with larger residuals, as a share of the contrast, may have caught the wrong edges.
const SUSPECT_RESIDUAL: f64 = 0.15;

/// The blur is kept within these bounds while the fit is on its way: a pixel's own width (a box one
/// wide has a standard deviation of 0.29 px), and cells that run into one another.
const SHARPEST_PX: f64 = 0.3;
const WIDEST_CELLS: f64 = 1.5;

/// Corners that move less than this in a step have arrived, px: a tenth of their noise in video.
const ARRIVED_PX: f64 = 0.005;

/// Until corners move less than this in a step, every third pixel is enough, px. From there on
/// pixels are chosen around a place that is known.
const NEAR_PX: f64 = 0.2;
const COARSE_STRIDE: usize = 3;

/// A fit whose residuals are still above this share of the contrast after [`HOPEFUL_STEPS`] has
/// gone astray: half a cell off, about half of the cells disagree.
const ASTRAY_RESIDUAL: f64 = 0.3;
const HOPEFUL_STEPS: usize = 7;

/// Steps after which a fit has failed: hidden parts may show only after a dozen, and take as many again.
const MOST_STEPS: usize = 24;

/// After a step that moves corners by no more than this the matrix is used again: it changes with
/// the place in units of the blur, px.
const SAME_MATRIX_PX: f64 = 0.1;

/// Steps that shrink by less than this call for a fresh matrix: [`MOST_STEPS`] would not arrive.
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

/// Fits `pattern` from corners that are good to a pixel or two; `before` is how the tag looked in
/// the frame before, if it was seen there.
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
    before: Option<&Look>,
) -> Result<PatternFit, DropReason> {
    let (rough, rough_from_tag) = Patch::cut(image, &sensor.tone, start_px)?;
    let first_looks = START_BLURS_PX
        .iter()
        .map(|&blur_px| Look::at_first(&rough, blur_px));
    let mut result = Err(DropReason::NotFound);
    for look in before.copied().into_iter().chain(first_looks) {
        let near = Fit::new(pattern, &rough, sensor.mosaic, START_NOISE)
            .and_then(|fit| fit.approach(look.with_place(&rough_from_tag)));
        result = near.and_then(|(near, noise)| {
            let (corners_px, _) = corners_of(&near, &rough);
            let (patch, patch_from_tag) = Patch::cut(image, &sensor.tone, &corners_px)?;
            let state = Look::of(&near).with_place(&patch_from_tag);
            Fit::new(pattern, &patch, sensor.mosaic, noise)?.settle(state)
        });
        if result
            .as_ref()
            .is_ok_and(|fit| fit.residual_share < SUSPECT_RESIDUAL)
        {
            break;
        }
    }
    result
}

impl Look {
    /// A guess for a tag that was not seen before.
    fn at_first(patch: &Patch, blur_px: f64) -> Self {
        let mut light: Vec<f64> = patch.pixels.iter().map(|pixel| pixel.light).collect();
        light.sort_by(f64::total_cmp);
        let (white, black) = (light[light.len() * 9 / 10], light[light.len() / 10]);
        Self {
            blur_cells: [blur_px * HALF / patch.scale_px; 2],
            light: [white, 0.0, 0.0, black, 0.0, 0.0],
        }
    }

    fn of(state: &Unknowns) -> Self {
        Self {
            blur_cells: [state[BLUR], state[BLUR + 1]],
            light: std::array::from_fn(|k| state[WHITE + k]),
        }
    }

    fn with_place(&self, patch_from_tag: &Matrix3<f64>) -> Unknowns {
        let mut state = Unknowns::zeros();
        for index in 0..BLUR {
            state[index] = patch_from_tag[(index / 3, index % 3)];
        }
        state
            .fixed_rows_mut::<2>(BLUR)
            .copy_from_slice(&self.blur_cells);
        state
            .fixed_rows_mut::<6>(WHITE)
            .copy_from_slice(&self.light);
        state
    }
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
    gradient: Unknowns,
    squares: f64,
    weight: f64,
    block_squares: [f64; BLOCKS],
    block_count: [f64; BLOCKS],
    /// Residuals of the pixels looked at, in their order; large ones cut down.
    residuals: Vec<f64>,
    /// Only where they are asked for.
    matrices: Option<Box<Matrices>>,
}

/// Sums of products over the pixels at one state.
struct Matrices {
    normal: Normal,
    /// Of the unknowns with the mosaic's numbers.
    shared: SMatrix<f64, UNKNOWNS, 3>,
    mosaic: Matrix3<f64>,
    mosaic_gradient: Vector3<f64>,
}

/// The matrices at one state, solved.
struct Solved {
    factor: Cholesky<f64, Const<UNKNOWNS>>,
    /// Evidence on the mosaic, for residuals of variance 1.
    evidence: MosaicEvidence,
}

impl<'a> Fit<'a> {
    fn new(
        pattern: &'a Pattern,
        patch: &'a Patch,
        mosaic: Mosaic,
        noise: f64,
    ) -> Result<Self, DropReason> {
        if patch.pixels.len() < 4 * UNKNOWNS {
            return Err(DropReason::TooSmall);
        }
        Ok(Self {
            pattern,
            patch,
            mosaic,
            used: [true; BLOCKS],
            noise,
        })
    }

    /// Comes near from a guess that may be off by a pixel or two; with the noise found there.
    fn approach(mut self, mut state: Unknowns) -> Result<(Unknowns, f64), DropReason> {
        for taken in 0..MOST_STEPS {
            let (moved_px, _) = self.step(&mut state, COARSE_STRIDE, &mut None)?;
            let astray = self.noise > ASTRAY_RESIDUAL * contrast(&state, self.patch);
            if taken >= HOPEFUL_STEPS && astray {
                break;
            }
            if moved_px < NEAR_PX {
                return Ok((state, self.noise));
            }
        }
        Err(DropReason::NotFound)
    }

    /// Goes all the way from near.
    fn settle(mut self, mut state: Unknowns) -> Result<PatternFit, DropReason> {
        let mut matrix = None;
        let mut masked = false;
        let mut moved_before_px = f64::INFINITY;
        for _ in 0..MOST_STEPS {
            let (moved_px, sums) = self.step(&mut state, 1, &mut matrix)?;
            if moved_px < ARRIVED_PX {
                if masked || !self.mask(&sums, &state) {
                    return self.finish(&state, &sums, &matrix.ok_or(DropReason::NotFound)?);
                }
                masked = true;
                matrix = None;
            } else if moved_px > SAME_MATRIX_PX || moved_px > SLOW_RATIO * moved_before_px {
                matrix = None;
            }
            moved_before_px = moved_px;
        }
        Err(DropReason::NotFound)
    }

    /// Takes a step, with a fresh matrix if there is none; tells how far corners moved, px, and the
    /// sums before it.
    fn step(
        &mut self,
        state: &mut Unknowns,
        stride: usize,
        matrix: &mut Option<Solved>,
    ) -> Result<(f64, Sums), DropReason> {
        let sums = self
            .sums(state, stride, matrix.is_none())
            .ok_or(DropReason::NotFound)?;
        if let Some(matrices) = &sums.matrices {
            *matrix = matrices.solve(&sums.gradient, self.mosaic);
        }
        let solved = matrix.as_ref().ok_or(DropReason::NotFound)?;
        self.noise = sums.noise();
        let step = self.within_blurs(state, solved.factor.solve(&sums.gradient), &solved.factor);
        let (step, moved_px) = self.bounded(step);
        *state += step;
        Ok((moved_px, sums))
    }

    /// The best step that keeps the blur within its bounds: what the bound takes away from the blur
    /// changes all else with it.
    fn within_blurs(
        &self,
        state: &Unknowns,
        mut step: Unknowns,
        factor: &Cholesky<f64, Const<UNKNOWNS>>,
    ) -> Unknowns {
        let sharpest = SHARPEST_PX * HALF / self.patch.scale_px;
        for index in [BLUR, BLUR + 1] {
            let wanted = state[index] + step[index];
            let excess = wanted - wanted.clamp(sharpest, WIDEST_CELLS);
            if excess != 0.0 {
                let mut direction = Unknowns::zeros();
                direction[index] = 1.0;
                factor.solve_mut(&mut direction);
                step -= direction * (excess / direction[index]);
            }
        }
        step
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

    fn sums(&self, state: &Unknowns, stride: usize, with_matrices: bool) -> Option<Sums> {
        let appearance = Appearance::new(self.pattern, self.patch, self.mosaic, state)?;
        let mut sums = Sums::zero(self.patch.pixels.len() / stride + 1);
        let mut matrices = with_matrices.then(Box::<Matrices>::default);
        let reach = HUBER_SD * self.noise;
        for pixel in self.patch.pixels.iter().step_by(stride) {
            let compared = appearance.compare(pixel);
            let residual = compared.residual;
            let block = usize::from(pixel.block);
            sums.block_squares[block] += residual * residual;
            sums.block_count[block] += 1.0;
            sums.residuals.push(residual.clamp(-reach, reach));
            if !self.used[block] {
                continue;
            }
            let weight = self.weight(residual);
            sums.squares += weight * residual * residual;
            sums.weight += weight;
            sums.gradient
                .axpy(weight * residual, &compared.by_unknowns, 1.0);
            if let Some(matrices) = &mut matrices {
                matrices.add(weight, &compared);
            }
        }
        sums.matrices = matrices;
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
        solved: &Solved,
    ) -> Result<PatternFit, DropReason> {
        let noise = sums.noise();
        let cofactors = solved.factor.inverse();
        let (corners_px, corners_from_state) = corners_of(state, self.patch);
        let homography_cofactors: SMatrix<f64, BLUR, BLUR> =
            cofactors.fixed_view::<BLUR, BLUR>(0, 0).into();
        let variance = noise.powi(2) * self.shared_noise_factor(&sums.residuals);
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
            contrast,
            residual_share: noise / contrast.max(f64::MIN_POSITIVE),
            hidden_share: hidden / self.patch.pixels.len() as f64,
            squares: sums.squares,
            mosaic: MosaicEvidence {
                information: solved.evidence.information / variance,
                weighted: solved.evidence.weighted / variance,
            },
            look: Look::of(state),
        };
        let sound = covariance_px2.iter().all(|entry| entry.is_finite()) && contrast > 0.0;
        if sound {
            Ok(fit)
        } else {
            Err(DropReason::NotFound)
        }
    }

    /// By how much more the state errs, as a variance, because pixels share their noise.
    fn shared_noise_factor(&self, residuals: &[f64]) -> f64 {
        let [width_px, height_px] = self.patch.size_px;
        let mut in_box = vec![None; width_px * height_px];
        for (pixel, residual) in self.patch.pixels.iter().zip(residuals) {
            if self.used[usize::from(pixel.block)] {
                let place = usize::from(pixel.row) * width_px + usize::from(pixel.column);
                in_box[place] = Some(*residual);
            }
        }
        variance_factor(&in_box, width_px)
    }
}

impl Matrices {
    #[inline]
    fn add(&mut self, weight: f64, compared: &Compared) {
        let (row, by_mosaic) = (&compared.by_unknowns, &compared.by_mosaic);
        self.normal.syger(weight, row, row, 1.0);
        self.shared.ger(weight, row, by_mosaic, 1.0);
        self.mosaic.ger(weight, by_mosaic, by_mosaic, 1.0);
        self.mosaic_gradient
            .axpy(weight * compared.residual, by_mosaic, 1.0);
    }

    /// The other unknowns are left free: what they can explain as well is no evidence on the
    /// mosaic.
    fn solve(&self, gradient: &Unknowns, mosaic: Mosaic) -> Option<Solved> {
        let factor = self.normal.cholesky()?;
        let explained = factor.solve(&self.shared);
        let information = self.mosaic - self.shared.tr_mul(&explained);
        let asked = self.mosaic_gradient - explained.tr_mul(gradient);
        Some(Solved {
            factor,
            evidence: MosaicEvidence {
                information,
                weighted: asked + information * mosaic.to_vector(),
            },
        })
    }
}

impl Default for Matrices {
    fn default() -> Self {
        Self {
            normal: Normal::zeros(),
            shared: SMatrix::zeros(),
            mosaic: Matrix3::zeros(),
            mosaic_gradient: Vector3::zeros(),
        }
    }
}

impl Sums {
    fn zero(pixels: usize) -> Self {
        Self {
            gradient: Unknowns::zeros(),
            squares: 0.0,
            weight: 0.0,
            block_squares: [0.0; BLOCKS],
            block_count: [0.0; BLOCKS],
            residuals: Vec::with_capacity(pixels),
            matrices: None,
        }
    }

    /// Standard deviation of the residuals, share of the range.
    fn noise(&self) -> f64 {
        let freedom = (self.weight - UNKNOWNS as f64).max(1.0);
        (self.squares / freedom).sqrt().max(QUANTISATION_SD)
    }
}
