//! Mosaic: the sharper and softer pixels of a colour sensor.
//!
//! A colour sensor sees one colour a pixel, in squares of two by two (B. E. Bayer, US patent
//! 3 971 065, 1976); the other two are filled in from neighbours. Red and blue are seen in every
//! second column and row only, so brightness is a little softer in the columns and rows between.
//! Ignoring this moves every edge that runs along the pixels by some hundredths of a pixel, in the
//! same way each time it returns to the same place.

use nalgebra::{Matrix3, Vector2, Vector3};
use serde::{Deserialize, Serialize};

/// By how much the blur differs from pixel to pixel.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(in crate::tags) struct Mosaic {
    /// Variance of the blur along x in even columns minus that of all columns, px².
    pub column_px2: f64,
    /// Variance of the blur along y in even rows minus that of all rows, px².
    pub row_px2: f64,
    /// Variance of the blur along both where column and row are both even or both odd, minus that
    /// of all pixels, px²: green is seen by the others.
    pub chequer_px2: f64,
}

/// Kinds of pixels in the mosaic: by whether their column and their row are even.
pub(in crate::tags) const PARITIES: usize = 4;

/// The kind of a pixel.
pub(in crate::tags) fn parity(x: usize, y: usize) -> usize {
    x % 2 + 2 * (y % 2)
}

/// How the variance of the blur along a direction follows the mosaic's numbers, for pixels of one
/// kind; `squares` are those of the direction's components along x and y.
pub(in crate::tags) fn variance_by_mosaic(parity: usize, squares: Vector2<f64>) -> Vector3<f64> {
    let sign = |odd: bool| if odd { -1.0 } else { 1.0 };
    let (column, row) = (sign(parity & 1 == 1), sign(parity & 2 == 2));
    Vector3::new(
        column * squares.x,
        row * squares.y,
        column * row * (squares.x + squares.y),
    )
}

impl Mosaic {
    pub fn to_vector(self) -> Vector3<f64> {
        Vector3::new(self.column_px2, self.row_px2, self.chequer_px2)
    }

    fn from_vector(vector: Vector3<f64>) -> Self {
        Self {
            column_px2: vector.x,
            row_px2: vector.y,
            chequer_px2: vector.z,
        }
    }
}

/// Evidence of one fitted tag on the mosaic, with all its other unknowns left free.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::tags) struct MosaicEvidence {
    /// Inverse of the covariance, px⁻⁴.
    pub information: Matrix3<f64>,
    /// Information times the numbers estimated from this tag.
    pub weighted: Vector3<f64>,
}

/// Scatter between cameras, px²: red has about a fifth of the brightness (ITU-R BT.709) and blue
/// less, and where a colour is filled in from both neighbours, its blur grows by 1 px².
const PRIOR_SD_PX2: f64 = 0.1;

/// Collects the evidence of tags on the mosaic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct MosaicEstimate {
    information: Matrix3<f64>,
    weighted: Vector3<f64>,
}

impl MosaicEstimate {
    /// Before any tag was seen.
    pub fn new() -> Self {
        Self {
            information: Matrix3::identity() / PRIOR_SD_PX2.powi(2),
            weighted: Vector3::zeros(),
        }
    }

    pub fn add(&mut self, evidence: &MosaicEvidence) {
        self.information += evidence.information;
        self.weighted += evidence.weighted;
    }

    pub fn best(&self) -> Mosaic {
        let numbers = self
            .information
            .try_inverse()
            .map(|inverse| inverse * self.weighted);
        Mosaic::from_vector(numbers.unwrap_or_default())
    }
}
