//! Corner refinement: fits the whole printed pattern to the pixels.
//!
//! The border and all inner cell edges are fitted together, in linear light, with the blur, the
//! illumination and its slope across the tag as unknowns. Fitting edges one by one lets narrow
//! cells bias their neighbours; a joint fit does not. Corners are those of the fitted pattern and
//! have a joint covariance.

use nalgebra::{Matrix3, Point2, SMatrix};

use super::correlation::variance_factor;
use super::image_model::{BLUR, COVARIANCE, ImageModel, UNKNOWNS, Unknowns, contrast, corners_of};
use super::lanes::Numbers;
use super::look::Look;
use super::mosaic::{Mosaic, MosaicEvidence};
use super::normal_equations::{PixelSums, Solved};
use super::patch::{BLOCKS, Patch, PixelGroup};
use super::pattern::{HALF, Pattern};
use super::picture::TagPicture;
use super::sensor::Sensor;
use crate::clip::GreyImage;
use crate::geometry::quadrilateral;
use crate::tags::sighting::{CornerCovariance, DropReason};

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
    /// Share of the white at the upper end of the camera's range.
    pub clipped_share: f64,
    /// How good the picture of the tag is.
    pub picture: TagPicture,
    /// Sum of squared residuals of the pixels used, in code values as shares of the range.
    pub(in crate::tags) squares: f64,
    /// Evidence from this tag on the sensor's mosaic.
    pub(in crate::tags) mosaic: MosaicEvidence,
    /// Where the fit of the next frame starts.
    pub(in crate::tags) look: Look,
}

/// Start of the fit, px: the blur of a sharp lens and sensor, then a wide one, which reaches edges
/// further off.
const START_BLURS_PX: [f64; 2] = [0.7, 1.6];

/// A fit with larger residuals, as a share of the contrast, may have caught the wrong edges.
const SUSPECT_RESIDUAL: f64 = 0.15;

/// Bounds of the blur during the fit: a pixel's own width (a box one wide has a standard deviation
/// of 0.29 px), and cells that run into one another.
const SHARPEST_PX: f64 = 0.3;
const WIDEST_CELLS: f64 = 1.5;
/// … and of the correlation along its two axes, which the pattern models to first order.
const LARGEST_CORRELATION: f64 = 0.6;

/// A step that moves corners less than this ends the fit, px: steps shrink at least threefold, so
/// the remaining motion is less than a tenth of the noise in video.
const ARRIVED_PX: f64 = 0.01;

/// A step that moves corners less than this means that the start was near, px: then the pixels
/// chosen around it belong to the tag.
const NEAR_PX: f64 = 0.2;

/// A fit whose residuals are still above this share of the contrast after [`HOPEFUL_STEPS`] has
/// failed: half a cell off, about half of the cells disagree.
const ASTRAY_RESIDUAL: f64 = 0.3;
const HOPEFUL_STEPS: usize = 7;

/// Steps after which a fit has failed: hidden parts may show only after a dozen, and need as many
/// again.
const MOST_STEPS: usize = 24;

/// No corner moves further than this in one step, cells, so that edges cannot be skipped.
const LONGEST_STEP_CELLS: f64 = 0.6;

/// Residuals beyond this many standard deviations count by their size only (Huber 1964).
const HUBER_SD: f64 = 2.5;

/// A block is left out when its mean square is this many times the median of all blocks …
const MASK_RATIO: f64 = 12.0;

/// … and its residuals are above this share of the contrast.
const MASK_SHARE: f64 = 0.08;

/// Fits `pattern` from corners that are good to a pixel or two; `before` is how the tag looked in
/// the frame before, if it was seen there.
///
/// # Errors
///
/// The reason why there is no fit: the tag touches the border of the picture, or nothing like it is
/// there. The caller decides whether a fit is good enough.
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
        let start = Start {
            patch: &rough,
            patch_from_tag: &rough_from_tag,
            look: &look,
        };
        result = fit_from(image, sensor, pattern, &start);
        if result
            .as_ref()
            .is_ok_and(|fit| fit.residual_share < SUSPECT_RESIDUAL)
        {
            break;
        }
    }
    result
}

/// A rough place of a tag, from which a fit starts.
struct Start<'a> {
    /// Pixels around it.
    patch: &'a Patch,
    patch_from_tag: &'a Matrix3<f64>,
    look: &'a Look,
}

/// Fits to the pixels chosen around the start, and chooses them again if the tag turns out to be
/// elsewhere.
fn fit_from(
    image: &GreyImage,
    sensor: &Sensor,
    pattern: &Pattern,
    start: &Start<'_>,
) -> Result<PatternFit, DropReason> {
    let mut fit = Fit::new(pattern, start.patch, sensor.mosaic, start.look.noise)?;
    let first = start.look.with_place(start.patch_from_tag);
    let (near, step) = fit.approach(first)?;
    if fit.farthest_px(&(near - first)) < NEAR_PX {
        return fit.settle(near, step);
    }
    let (corners_px, _) = corners_of(&near, start.patch);
    let (patch, patch_from_tag) = Patch::cut(image, &sensor.tone, &corners_px)?;
    let mut closer = Fit::new(pattern, &patch, sensor.mosaic, fit.noise)?;
    let mut state = Look::of(&near, fit.noise).with_place(&patch_from_tag);
    let step = closer.step(&mut state)?;
    closer.settle(state, step)
}

/// A step of the fit.
struct Step {
    /// How far it moved corners at most.
    farthest_px: f64,
    /// Sums and normal equations before it.
    sums: PixelSums,
    solved: Solved,
}

struct Fit<'a> {
    pattern: &'a Pattern,
    patch: &'a Patch,
    mosaic: Mosaic,
    /// Ones where pixels are compared: where a group has one, and its block looks as printed.
    shown: Vec<Numbers>,
    /// Standard deviation of the residuals, share of the range.
    noise: f64,
}

impl<'a> Fit<'a> {
    fn new(
        pattern: &'a Pattern,
        patch: &'a Patch,
        mosaic: Mosaic,
        noise: f64,
    ) -> Result<Self, DropReason> {
        if patch.len() < 4 * UNKNOWNS {
            return Err(DropReason::TooSmall);
        }
        Ok(Self {
            pattern,
            patch,
            mosaic,
            shown: patch.groups.iter().map(PixelGroup::present).collect(),
            noise,
        })
    }

    /// Converges roughly from a guess that may be off by a pixel or two; also the last step.
    fn approach(&mut self, mut state: Unknowns) -> Result<(Unknowns, Step), DropReason> {
        for taken in 0..MOST_STEPS {
            let step = self.step(&mut state)?;
            let astray = self.noise > ASTRAY_RESIDUAL * contrast(&state, self.patch);
            if taken >= HOPEFUL_STEPS && astray {
                break;
            }
            if step.farthest_px < NEAR_PX {
                return Ok((state, step));
            }
        }
        Err(DropReason::NotFound)
    }

    /// Converges fully from near the solution, after `step`.
    fn settle(mut self, mut state: Unknowns, mut step: Step) -> Result<PatternFit, DropReason> {
        let mut masked = false;
        for _ in 0..MOST_STEPS {
            if step.farthest_px < ARRIVED_PX {
                if masked || !self.mask(&step.sums, &state) {
                    return self.finish(&state, &step);
                }
                masked = true;
            }
            step = self.step(&mut state)?;
        }
        Err(DropReason::NotFound)
    }

    fn step(&mut self, state: &mut Unknowns) -> Result<Step, DropReason> {
        let reach = HUBER_SD * self.noise;
        let (sums, solved) = ImageModel::new(self.pattern, self.patch, self.mosaic, state)
            .and_then(|appearance| {
                PixelSums::over(&self.patch.groups, &self.shown, &appearance, reach)
            })
            .and_then(|sums| {
                let solved = sums.solve(self.mosaic)?;
                Some((sums, solved))
            })
            .ok_or(DropReason::NotFound)?;
        self.noise = sums.noise();
        let step = self.within_blurs(state, &sums, &solved);
        let (step, farthest_px) = self.bounded(step);
        *state += step;
        Ok(Step {
            farthest_px,
            sums,
            solved,
        })
    }

    /// The best step that keeps the blur within its bounds; a bound on the blur changes the other
    /// unknowns too.
    fn within_blurs(&self, state: &Unknowns, sums: &PixelSums, solved: &Solved) -> Unknowns {
        let mut step = solved.factor.solve(&sums.gradient());
        let sharpest = SHARPEST_PX * HALF / self.patch.scale_px;
        let most_alike = LARGEST_CORRELATION * (state[BLUR] * state[BLUR + 1]).abs();
        // The widths last: a bound on the covariance may move them.
        for (index, low, high) in [
            (COVARIANCE, -most_alike, most_alike),
            (BLUR, sharpest, WIDEST_CELLS),
            (BLUR + 1, sharpest, WIDEST_CELLS),
        ] {
            let wanted = state[index] + step[index];
            let excess = wanted - wanted.clamp(low, high);
            if excess != 0.0 {
                let mut direction = Unknowns::zeros();
                direction[index] = 1.0;
                solved.factor.solve_mut(&mut direction);
                step -= direction * (excess / direction[index]);
            }
        }
        step
    }

    /// Shortens a step that would move a corner too far; also how far corners move, px.
    fn bounded(&self, step: Unknowns) -> (Unknowns, f64) {
        let step_px = self.farthest_px(&step);
        let longest_px = LONGEST_STEP_CELLS * self.patch.scale_px / HALF;
        if step_px > longest_px {
            (step * (longest_px / step_px), step_px)
        } else {
            (step, step_px)
        }
    }

    /// How far a change of the state moves corners at most, px.
    fn farthest_px(&self, change: &Unknowns) -> f64 {
        change.fixed_rows::<BLUR>(0).amax() * 2.0 * self.patch.scale_px
    }

    /// Leaves out blocks that do not look as printed; returns whether there are any.
    fn mask(&mut self, sums: &PixelSums, state: &Unknowns) -> bool {
        let mut squares = [(0.0, 0_u32); BLOCKS];
        for pixel in self.compared(&sums.residuals) {
            squares[pixel.block].0 += f64::from(pixel.residual).powi(2);
            squares[pixel.block].1 += 1;
        }
        let means = squares.map(|(sum, count)| sum / f64::from(count.max(1)));
        let mut sorted: Vec<f64> = (0..BLOCKS)
            .filter(|&block| squares[block].1 > 0)
            .map(|block| means[block])
            .collect();
        sorted.sort_by(f64::total_cmp);
        let median = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
        let visible = (MASK_SHARE * contrast(state, self.patch)).powi(2);
        let most = (MASK_RATIO * median).max(visible);
        let looks_printed = means.map(|mean| if mean < most { 1.0 } else { 0.0 });
        for (shown, pixels) in self.shown.iter_mut().zip(&self.patch.groups) {
            *shown = pixels.present();
            for (shown, block) in shown.iter_mut().zip(pixels.blocks) {
                *shown *= looks_printed[usize::from(block)];
            }
        }
        looks_printed.contains(&0.0)
    }

    fn finish(&self, state: &Unknowns, step: &Step) -> Result<PatternFit, DropReason> {
        let Step { sums, solved, .. } = step;
        let noise = sums.noise();
        let cofactors = solved.factor.inverse();
        let (corners_px, corners_from_state) = corners_of(state, self.patch);
        let homography_cofactors: SMatrix<f64, BLUR, BLUR> =
            cofactors.fixed_view::<BLUR, BLUR>(0, 0).into();
        let shared_noise = self.shared_noise_factor(&sums.residuals);
        let variance = noise.powi(2) * shared_noise;
        let covariance_px2 =
            corners_from_state * homography_cofactors * corners_from_state.transpose() * variance;
        let hidden = self
            .compared(&sums.residuals)
            .filter(|pixel| !pixel.shown)
            .count();
        let contrast = contrast(state, self.patch);
        let mut fit = PatternFit {
            corners_px,
            covariance_px2: covariance_px2.cast(),
            edge_px: quadrilateral::mean_edge(&corners_px),
            contrast,
            residual_share: noise / contrast.max(f64::MIN_POSITIVE),
            clipped_share: self.patch.clipped_share,
            picture: TagPicture::default(),
            hidden_share: hidden as f64 / self.patch.len() as f64,
            squares: sums.squares(),
            mosaic: MosaicEvidence {
                information: solved.evidence.information / variance,
                weighted: solved.evidence.weighted / variance,
            },
            look: Look::of(state, noise),
        };
        fit.picture = TagPicture::of(&fit, shared_noise);
        let sound = covariance_px2.iter().all(|entry| entry.is_finite()) && contrast > 0.0;
        if sound {
            Ok(fit)
        } else {
            Err(DropReason::NotFound)
        }
    }

    /// Factor on the variance of the state due to correlated noise of pixels.
    fn shared_noise_factor(&self, residuals: &[Numbers]) -> f64 {
        let [width_px, height_px] = self.patch.size_px;
        let reach = (HUBER_SD * self.noise) as f32;
        let mut in_box = vec![None; width_px * height_px];
        for pixel in self.compared(residuals).filter(|pixel| pixel.shown) {
            in_box[pixel.position] = Some(pixel.residual.clamp(-reach, reach));
        }
        variance_factor(&in_box, width_px)
    }

    /// All pixels of the patch with their residuals.
    fn compared(&self, residuals: &[Numbers]) -> impl Iterator<Item = Compared> {
        let groups = self.patch.groups.iter().zip(&self.shown).zip(residuals);
        groups.flat_map(|((pixels, shown), residuals)| {
            (0..pixels.count).map(move |lane| Compared {
                block: pixels.blocks[lane].into(),
                position: pixels.positions[lane] as usize,
                residual: residuals[lane],
                shown: shown[lane] > 0.0,
            })
        })
    }
}

/// A pixel and its expected value.
struct Compared {
    block: usize,
    /// In the patch's box.
    position: usize,
    /// Seen minus expected, share of the range.
    residual: f32,
    /// Whether its block looks as printed.
    shown: bool,
}
