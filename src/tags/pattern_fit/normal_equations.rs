//! Sums over the pixels of a patch: everything that a step of the pattern fit needs.

use fearless_simd::{Level, dispatch, prelude::*};
use nalgebra::{Cholesky, Const, Matrix3, SMatrix, Vector3};

use super::image_model::{COLUMNS, ImageModel, MOSAIC, RESIDUAL, UNKNOWNS, Unknowns};
use super::lanes::{Lanes, Numbers};
use super::mosaic::{Mosaic, MosaicEvidence};
use super::patch::PixelGroup;

/// Code values are whole numbers: residual noise is never assumed below this share of the range.
const QUANTISATION_SD: f64 = 1.0 / 219.0 / 3.464;

/// Sums over the pixels at one state.
pub(in crate::tags) struct PixelSums {
    /// Weighted products of all columns of the comparison with each other.
    products: SMatrix<f64, COLUMNS, COLUMNS>,
    weight: f64,
    /// Seen minus expected, group by group.
    pub residuals: Vec<Numbers>,
}

/// The normal equations at one state, factored.
pub(in crate::tags) struct Solved {
    pub factor: Cholesky<f64, Const<UNKNOWNS>>,
    /// Evidence on the mosaic, for residuals of variance 1.
    pub evidence: MosaicEvidence,
}

impl PixelSums {
    /// Over all `groups` as far as they are `shown`; residuals beyond `reach` count by their size
    /// only (Huber 1964). `None` where the comparison fails.
    pub fn over(
        groups: &[PixelGroup],
        shown: &[Numbers],
        appearance: &ImageModel,
        reach: f64,
    ) -> Option<Self> {
        let level = Level::new();
        dispatch!(level, simd => Self::summed(simd, groups, shown, appearance, reach as f32))
    }

    #[inline(always)]
    fn summed<S: Simd>(
        simd: S,
        groups: &[PixelGroup],
        shown: &[Numbers],
        appearance: &ImageModel,
        reach: f32,
    ) -> Option<Self> {
        let zero = Lanes::splat(simd, 0.0);
        let mut products = [[zero; COLUMNS]; COLUMNS];
        let mut weights = zero;
        let mut residuals = Vec::with_capacity(groups.len());
        // Two groups at a time: the sums are fetched and put back half as often.
        for (pixels, shown) in groups.chunks(2).zip(shown.chunks(2)) {
            let (one, of_one) = compared(simd, appearance, reach, &pixels[0], shown[0]);
            residuals.push(one[RESIDUAL].into());
            let (two, of_two) = match (pixels.get(1), shown.get(1)) {
                (Some(pixels), Some(&shown)) => {
                    let (two, of_two) = compared(simd, appearance, reach, pixels, shown);
                    residuals.push(two[RESIDUAL].into());
                    (two, of_two)
                }
                _ => ([zero; COLUMNS], zero),
            };
            weights += of_one + of_two;
            for (i, of_row) in products.iter_mut().enumerate() {
                let (a, b) = (one[i] * of_one, two[i] * of_two);
                for (j, product) in of_row[..=i].iter_mut().enumerate() {
                    *product += a * one[j] + b * two[j];
                }
            }
        }
        let products = SMatrix::from_fn(|i, j| sum(products[i.max(j)][i.min(j)].into()));
        let sums = Self {
            products,
            weight: sum(weights.into()),
            residuals,
        };
        sums.squares().is_finite().then_some(sums)
    }

    /// Weighted sum of squared residuals.
    pub fn squares(&self) -> f64 {
        self.products[(RESIDUAL, RESIDUAL)]
    }

    /// Standard deviation of the residuals, share of the range.
    pub fn noise(&self) -> f64 {
        let freedom = (self.weight - UNKNOWNS as f64).max(1.0);
        (self.squares() / freedom).sqrt().max(QUANTISATION_SD)
    }

    /// The right-hand side of the normal equations.
    pub fn gradient(&self) -> Unknowns {
        self.products.fixed_view::<UNKNOWNS, 1>(0, RESIDUAL).into()
    }

    /// `None` if the pixels do not determine an unknown. For the mosaic all other unknowns stay
    /// free: what they explain as well is no evidence on it.
    pub fn solve(&self, mosaic: Mosaic) -> Option<Solved> {
        let normal: SMatrix<f64, UNKNOWNS, UNKNOWNS> =
            self.products.fixed_view::<UNKNOWNS, UNKNOWNS>(0, 0).into();
        let shared = self.products.fixed_view::<UNKNOWNS, 3>(0, MOSAIC);
        let of_mosaic: Matrix3<f64> = self.products.fixed_view::<3, 3>(MOSAIC, MOSAIC).into();
        let asked: Vector3<f64> = self.products.fixed_view::<3, 1>(MOSAIC, RESIDUAL).into();
        let factor = normal.cholesky()?;
        let explained = factor.solve(&shared);
        let information = of_mosaic - shared.tr_mul(&explained);
        let left = asked - explained.tr_mul(&self.gradient());
        Some(Solved {
            factor,
            evidence: MosaicEvidence {
                information,
                weighted: left + information * mosaic.to_vector(),
            },
        })
    }
}

/// The comparison of a group, and the weight of each of its pixels.
#[inline(always)]
fn compared<S: Simd>(
    simd: S,
    appearance: &ImageModel,
    reach: f32,
    pixels: &PixelGroup,
    shown: Numbers,
) -> ([Lanes<S>; COLUMNS], Lanes<S>) {
    let row = appearance.compare(simd, pixels);
    let within = (Lanes::splat(simd, reach) / row[RESIDUAL].abs()).min(1.0);
    (row, within * Lanes::load_array(simd, shown))
}

/// Sum over the lanes.
fn sum(numbers: Numbers) -> f64 {
    numbers.into_iter().map(f64::from).sum()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use nalgebra::Point2;

    use super::*;
    use crate::clip::{GreyImage, Levels, Transfer};
    use crate::tags::pattern_fit::look::Look;
    use crate::tags::pattern_fit::patch::Patch;
    use crate::tags::pattern_fit::pattern::Pattern;
    use crate::tags::pattern_fit::tone::{Coding, Tone};

    #[test]
    fn registers_of_all_widths_give_the_same_bits() {
        let size_px = 64;
        // Arbitrary values; the fit has no meaning.
        let pixels: Vec<u8> = (0..size_px * size_px)
            .map(|k: usize| (k.wrapping_mul(2_654_435_761) >> 7) as u8)
            .collect();
        let image = GreyImage {
            width_px: size_px,
            height_px: size_px,
            pixels: pixels.into(),
        };
        let coding = Coding {
            levels: Levels {
                black: 16,
                white: 235,
            },
            transfer: Transfer::Power,
        };
        let corners_px = [[14.2, 12.7], [50.1, 15.3], [48.8, 49.6], [13.5, 47.9]].map(Point2::from);
        let (patch, patch_from_tag) =
            Patch::cut(&image, &Tone::new(2.2, coding), &corners_px).unwrap();
        let white = |row: usize, column: usize| (3 * row + 5 * column) % 7 < 3;
        let rows: Vec<Vec<bool>> = (0..8)
            .map(|row| (0..8).map(|column| white(row, column)).collect())
            .collect();
        let pattern = Pattern::from_cells(&rows).unwrap();
        let state = Look::at_first(&patch, 0.7).with_place(&patch_from_tag);
        let mosaic = Mosaic::default();
        let appearance = ImageModel::new(&pattern, &patch, mosaic, &state).unwrap();
        let shown: Vec<Numbers> = patch.groups.iter().map(PixelGroup::present).collect();

        let (groups, level) = (&patch.groups, Level::new());
        let widest = PixelSums::over(groups, &shown, &appearance, 0.1).unwrap();
        let check = |sums: Option<PixelSums>| {
            let sums = sums.unwrap();
            assert_eq!(sums.products, widest.products);
            assert_eq!(sums.residuals, widest.residuals);
            assert_eq!(sums.weight, widest.weight);
        };
        #[cfg(target_arch = "x86_64")]
        {
            if let Some(four_wide) = level.as_sse2() {
                check(PixelSums::summed(
                    four_wide,
                    groups,
                    &shown,
                    &appearance,
                    0.1,
                ));
            }
            if let Some(eight_wide) = level.as_avx2() {
                check(PixelSums::summed(
                    eight_wide,
                    groups,
                    &shown,
                    &appearance,
                    0.1,
                ));
            }
        }
        #[cfg(target_arch = "aarch64")]
        if let Some(four_wide) = level.as_neon() {
            check(PixelSums::summed(
                four_wide,
                groups,
                &shown,
                &appearance,
                0.1,
            ));
        }
    }
}
