//! Template: a small piece of a picture that is searched for in others.
//!
//! The template is turned and scaled as the whole picture was, and shifted until it fits, with
//! brightness and contrast left free: Gauss–Newton with the template's own slopes, so
//! that these are computed once (S. Baker and I. Matthews, "Lucas–Kanade 20 years on: a unifying
//! framework", Int. J. of Computer Vision 56 (2004) 221).

use nalgebra::{Matrix2, Matrix4, Point2, Vector2, Vector4};
use serde::{Deserialize, Serialize};

use super::neighbourhood::Neighbourhood;
use super::plane::{EMPTY, FARTHEST_PX, LANES, Plane, REACH, SIDE};
use crate::clip::GreyImage;

/// With one more on every side, for the slopes.
const CUT_SIDE: usize = SIDE + 2;

/// Steps below this end the search, px.
const ARRIVED_PX: f64 = 0.02;
const MOST_STEPS: usize = 15;
/// The template must explain at least this share of the variance of the pixels there.
const LIKENESS: f64 = 0.7;

/// Code values around a place, prepared for comparison.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<u8>", into = "Vec<u8>")]
pub(super) struct Template {
    /// Row by row.
    codes: Vec<u8>,
    /// Slopes along x and y, and code values.
    planes: [Plane; 3],
    /// Inverse of the normal equations of shift, contrast and brightness.
    cofactors: Matrix4<f64>,
}

impl Template {
    /// Around a pixel; `None` too near to the picture's border.
    pub fn cut(image: &GreyImage, [x, y]: [usize; 2]) -> Option<Self> {
        let left = x.checked_sub(REACH + 1)?;
        let top = y.checked_sub(REACH + 1)?;
        if left + CUT_SIDE > image.width_px || top + CUT_SIDE > image.height_px {
            return None;
        }
        let pixels: &[u8] = &image.pixels;
        let rows = (top..top + CUT_SIDE).flat_map(|row| {
            let first = row * image.width_px + left;
            &pixels[first..first + CUT_SIDE]
        });
        Self::try_from(rows.copied().collect::<Vec<u8>>()).ok()
    }

    /// The template's centre in a picture that is turned and scaled by `turn`; `None` if it is out
    /// of reach of its predicted place.
    pub fn find(
        &self,
        image: &GreyImage,
        expected_px: Point2<f64>,
        turn: &Matrix2<f64>,
    ) -> Option<Point2<f64>> {
        let neighbourhood = Neighbourhood::around(image, &expected_px);
        let mut place_px = expected_px;
        for _ in 0..MOST_STEPS {
            let seen = neighbourhood.sampled(&place_px, turn)?;
            let (step, likeness) = self.step(&seen)?;
            let step_px = turn * step;
            place_px += step_px;
            if (place_px - expected_px).norm() > FARTHEST_PX {
                return None;
            }
            if step_px.norm() < ARRIVED_PX {
                return (likeness > LIKENESS).then_some(place_px);
            }
        }
        None
    }

    /// The shift of the template, px, and the share of the pixels' variance that it explains;
    /// `None` if they look like its negative.
    fn step(&self, seen: &Plane) -> Option<(Vector2<f64>, f64)> {
        let [by_x, by_y, by_code] = self
            .planes
            .each_ref()
            .map(|plane| sum_of_products(plane, seen));
        let whole = sum(seen);
        let asked = Vector4::new(by_x, by_y, by_code, whole);
        let fitted = self.cofactors * asked;
        let of_mean = whole * whole / (SIDE * SIDE) as f64;
        let variance = sum_of_products(seen, seen) - of_mean;
        let likeness = (fitted.dot(&asked) - of_mean) / variance;
        let contrast = fitted.z;
        // A feature further right than expected shows the codes from further left.
        let shift = -fitted.fixed_rows::<2>(0) / contrast;
        (contrast > 0.0 && variance > 0.0).then_some((shift, likeness))
    }
}

impl From<Template> for Vec<u8> {
    fn from(template: Template) -> Self {
        template.codes
    }
}

impl TryFrom<Vec<u8>> for Template {
    type Error = &'static str;

    fn try_from(codes: Vec<u8>) -> Result<Self, Self::Error> {
        if codes.len() != CUT_SIDE * CUT_SIDE {
            return Err("a template has another size");
        }
        let code = |place: usize| f32::from(codes[place]);
        let slope = |place: usize, step: usize| 0.5 * (code(place + step) - code(place - step));
        let planes = [
            plane(|place| slope(place, 1)),
            plane(|place| slope(place, CUT_SIDE)),
            plane(code),
        ];
        let products =
            Matrix4::from_fn(|row, column| match (planes.get(row), planes.get(column)) {
                (Some(a), Some(b)) => sum_of_products(a, b),
                (Some(plane), None) | (None, Some(plane)) => sum(plane),
                (None, None) => (SIDE * SIDE) as f64,
            });
        let factor = products.cholesky().ok_or("a template has no structure")?;
        Ok(Self {
            codes,
            planes,
            cofactors: factor.inverse(),
        })
    }
}

/// A number of each pixel, from its place among the code values.
fn plane(of_pixel: impl Fn(usize) -> f32) -> Plane {
    let mut plane = EMPTY;
    let inner = (1..=SIDE).flat_map(|row| (1..=SIDE).map(move |column| row * CUT_SIDE + column));
    for (number, place) in plane.iter_mut().zip(inner) {
        *number = of_pixel(place);
    }
    plane
}

fn sum_of_products(a: &Plane, b: &Plane) -> f64 {
    let mut sums = [0.0_f32; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    sums.into_iter().map(f64::from).sum()
}

fn sum(plane: &Plane) -> f64 {
    const ONES: Plane = [1.0; EMPTY.len()];
    sum_of_products(plane, &ONES)
}
