//! Sums over the pixels of a patch: all that a step of the pattern fit needs.

use nalgebra::{Cholesky, Const, Matrix3, SMatrix, SVector, Vector3};

use super::appearance::{Appearance, COLUMNS, MOSAIC, RESIDUAL, UNKNOWNS, Unknowns};
use super::mosaic::{Mosaic, MosaicEvidence};
use super::patch::{Lanes, PixelGroup};

/// Code values are whole numbers: no residual noise is believed below this share of the range.
const QUANTISATION_SD: f64 = 1.0 / 219.0 / 3.464;

/// Sums over the pixels at one state.
pub(super) struct Sums {
    /// Weighted products of all columns of the comparison with each other.
    products: SMatrix<f64, COLUMNS, COLUMNS>,
    weight: f64,
    /// Seen minus expected, group by group.
    pub residuals: Vec<Lanes>,
}

/// The normal equations at one state, factored.
pub(super) struct Solved {
    pub factor: Cholesky<f64, Const<UNKNOWNS>>,
    /// Evidence on the mosaic, for residuals of variance 1.
    pub evidence: MosaicEvidence,
}

impl Sums {
    /// Over all `groups` as far as they are `shown`; residuals beyond `reach` count by their size
    /// only (Huber 1964). `None` where the comparison fails.
    pub fn over(
        groups: &[PixelGroup],
        shown: &[Lanes],
        appearance: &Appearance,
        reach: f64,
    ) -> Option<Self> {
        let reach = Lanes::splat(reach as f32);
        let mut products = [[Lanes::ZERO; COLUMNS]; COLUMNS];
        let mut weights = Lanes::ZERO;
        let mut residuals = Vec::with_capacity(groups.len());
        let mut compared = |pixels: &PixelGroup, shown: Lanes| {
            let row = appearance.compare(pixels);
            let size = row[RESIDUAL].abs();
            let weight = shown * (reach / size).fast_min(Lanes::ONE);
            weights += weight;
            residuals.push(row[RESIDUAL]);
            (row, weight)
        };
        // Two groups at a time: the sums are fetched and put back half as often.
        for (pixels, shown) in groups.chunks(2).zip(shown.chunks(2)) {
            let (one, of_one) = compared(&pixels[0], shown[0]);
            let (two, of_two) = match (pixels.get(1), shown.get(1)) {
                (Some(pixels), Some(shown)) => compared(pixels, *shown),
                _ => ([Lanes::ZERO; COLUMNS], Lanes::ZERO),
            };
            for (i, of_row) in products.iter_mut().enumerate() {
                let (a, b) = (one[i] * of_one, two[i] * of_two);
                let others = one.iter().zip(&two);
                for (product, (&c, &d)) in of_row[..=i].iter_mut().zip(others) {
                    *product += a * c + b * d;
                }
            }
        }
        let products = SMatrix::from_fn(|i, j| sum(products[i.max(j)][i.min(j)]));
        let sums = Self {
            products,
            weight: sum(weights),
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

    /// `None` if an unknown has no hold on the pixels. For the mosaic the unknowns are left free:
    /// what they can explain as well is no evidence on it.
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

/// Sum over the lanes.
fn sum(lanes: Lanes) -> f64 {
    SVector::from(lanes.to_array()).cast::<f64>().sum()
}
