//! The surroundings of a place in a picture, prepared for interpolation between pixels.

use nalgebra::{Matrix2, Point2, Vector2};

use super::plane::{EMPTY, FARTHEST_PX, Plane, REACH, SIDE};
use crate::clip::GreyImage;

/// Side of the square that is compared, px.
const LOOKED_AT: usize = 44;
/// Numbers from row to row: a power of two.
const STRIDE: usize = 64;
const INDEX_BITS: usize = STRIDE.trailing_zeros() as usize;

/// Fractional bits of the fixed-point numbers for places: splitting them into whole pixels and
/// fractions takes one step each.
const SHARE_BITS: usize = 16;

/// Code values of a square of pixels.
pub(super) struct Neighbourhood {
    codes: Box<[f32; STRIDE * STRIDE]>,
    left: i64,
    top: i64,
    /// Sizes of the picture.
    picture_px: Vector2<f64>,
}

impl Neighbourhood {
    /// Around a place, which may be outside the picture.
    pub fn around(image: &GreyImage, place_px: &Point2<f64>) -> Self {
        let half = (LOOKED_AT / 2) as i64;
        let [left, top] =
            [place_px.x, place_px.y].map(|at| (at.floor() as i64).saturating_sub(half));
        let mut codes = Box::new([0.0; STRIDE * STRIDE]);
        let (columns, rows) = (within(left, image.width_px), within(top, image.height_px));
        let pixels: &[u8] = &image.pixels;
        for row in rows.filter(|_| !columns.is_empty()) {
            let seen = &pixels[row * image.width_px..][columns.clone()];
            let to_row = (row as i64 - top) as usize * STRIDE;
            let to = to_row + (columns.start as i64 - left) as usize;
            for (code, seen) in codes[to..to + seen.len()].iter_mut().zip(seen) {
                *code = f32::from(*seen);
            }
        }
        Self {
            codes,
            left,
            top,
            picture_px: Vector2::new(image.width_px as f64, image.height_px as f64),
        }
    }

    /// Values at a template's pixels around a place, by linear interpolation; `None` if part of it
    /// is outside.
    pub fn sampled(&self, place_px: &Point2<f64>, turn: &Matrix2<f64>) -> Option<Plane> {
        let reach = REACH as f64;
        // A thousandth of a pixel more than needed: rounding must not lead outside.
        let span = turn.abs() * Vector2::repeat(reach) + Vector2::repeat(1e-3);
        let origin = Vector2::new(self.left as f64, self.top as f64);
        let low = place_px.coords - span;
        let high = place_px.coords + span;
        let end = (origin.add_scalar(LOOKED_AT as f64)).inf(&self.picture_px);
        let begin = origin.sup(&Vector2::zeros());
        if !(low >= begin && high < end.add_scalar(-1.0)) {
            return None;
        }
        let fixed = |value: f64| (value * f64::from(1 << SHARE_BITS)).round() as i32;
        let share =
            |value: i32| (value & ((1 << SHARE_BITS) - 1)) as f32 / (1 << SHARE_BITS) as f32;
        let step = [turn.m11, turn.m21].map(fixed);
        let mut seen = EMPTY;
        for (down, row) in seen.chunks_exact_mut(SIDE).take(SIDE).enumerate() {
            let first = place_px.coords - origin + turn * Vector2::new(-reach, down as f64 - reach);
            let [mut x, mut y] = [first.x, first.y].map(fixed);
            for seen in row {
                let at = ((y >> SHARE_BITS) << INDEX_BITS) + (x >> SHARE_BITS);
                let upper = self.between(at as usize, share(x));
                let lower = self.between(at as usize + STRIDE, share(x));
                *seen = upper + share(y) * (lower - upper);
                x += step[0];
                y += step[1];
            }
        }
        Some(seen)
    }

    /// Between the code value at an index and the next.
    fn between(&self, at: usize, share: f32) -> f32 {
        // Never beyond the end; this lets the compiler drop the bounds check.
        let code = |at: usize| self.codes[at % (STRIDE * STRIDE)];
        code(at) + share * (code(at + 1) - code(at))
    }
}

/// Pixels of a picture of this size within the square from `first` on.
fn within(first: i64, size: usize) -> std::ops::Range<usize> {
    let clamp = |at: i64| at.clamp(0, size as i64) as usize;
    clamp(first)..clamp(first.saturating_add(LOOKED_AT as i64))
}

const _: () = assert!(2.0 * (REACH as f64 + FARTHEST_PX) < LOOKED_AT as f64);
