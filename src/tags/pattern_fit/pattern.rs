//! The printed pattern of a tag, seen through a blurring lens.

use std::f32::consts::{FRAC_1_SQRT_2, FRAC_2_SQRT_PI};

use fearless_simd::prelude::*;
use serde::{Deserialize, Serialize};

use super::lanes::Lanes;

/// Cells along one side of the black square, border included.
pub const CELLS: usize = 8;

/// Half the black square's side in cells.
pub(in crate::tags) const HALF: f64 = CELLS as f64 / 2.0;

/// A tag's cells, row by row from the top-left of the printed tag; `true` is white.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pattern {
    white: [[bool; CELLS]; CELLS],
}

/// The blurred pattern at the places of a group, and how it changes there. Lengths are in cells.
#[derive(Debug, Clone, Copy)]
pub(in crate::tags) struct Shade<S: Simd> {
    /// Share of white, 0 to 1.
    pub white: Lanes<S>,
    /// Change along u (to the right on the tag), per cell.
    pub du: Lanes<S>,
    /// Change along v (down on the tag), per cell.
    pub dv: Lanes<S>,
    /// Change with the blur along u, per cell.
    pub dblur_u: Lanes<S>,
    /// Change with the blur along v, per cell.
    pub dblur_v: Lanes<S>,
    /// Change with the blur's covariance, per square cell.
    pub dcovariance: Lanes<S>,
}

impl Pattern {
    /// A pattern from its cells; `None` unless it is 8 × 8.
    pub fn from_cells(rows: &[Vec<bool>]) -> Option<Self> {
        let mut white = [[false; CELLS]; CELLS];
        if rows.len() != CELLS {
            return None;
        }
        for (target, row) in white.iter_mut().zip(rows) {
            *target = row.as_slice().try_into().ok()?;
        }
        Some(Self { white })
    }

    /// Whether a cell is white; everything around the black border is.
    pub fn is_white(&self, column: isize, row: isize) -> bool {
        let inside = 0..CELLS as isize;
        if !inside.contains(&column) || !inside.contains(&row) {
            return true;
        }
        self.white[row as usize][column as usize]
    }

    /// The pattern seen through a Gaussian blur.
    ///
    /// `u` and `v` run from 0 to [`CELLS`] over the black square. The paper is modelled as white
    /// without end. The blur's covariance, which matters only at the corners of cells, is modelled
    /// to first order: a Gaussian's derivative by it is its mixed second derivative (R. L.
    /// Plackett, Biometrika 41 (1954) 351).
    #[inline(always)]
    pub(in crate::tags) fn shade<S: Simd>(
        &self,
        simd: S,
        u: Lanes<S>,
        v: Lanes<S>,
        blur: &Blur,
    ) -> Shade<S> {
        let columns = Coverage::at(simd, u, blur.sd[0]);
        let rows = Coverage::at(simd, v, blur.sd[1]);
        let zero = Lanes::splat(simd, 0.0);
        let mut shade = Shade {
            white: Lanes::splat(simd, 1.0),
            du: zero,
            dv: zero,
            dblur_u: zero,
            dblur_v: zero,
            dcovariance: zero,
        };
        for row in rows.first..rows.last {
            let (mut share, mut slope, mut widen) = (zero, zero, zero);
            for column in columns.first..columns.last {
                if !self.white[row][column] {
                    share += columns.share[column];
                    slope += columns.slope[column];
                    widen += columns.widen[column];
                }
            }
            let mixed = slope * rows.slope[row];
            shade.white -= share * rows.share[row] + mixed * blur.covariance;
            shade.dcovariance -= mixed;
            shade.du -= slope * rows.share[row];
            shade.dv -= share * rows.slope[row];
            shade.dblur_u -= widen * rows.share[row];
            shade.dblur_v -= share * rows.widen[row];
        }
        shade
    }
}

/// A Gaussian blur in the tag's axes.
#[derive(Debug, Clone, Copy)]
pub(in crate::tags) struct Blur {
    /// Standard deviations along u and v, cells.
    sd: [f32; 2],
    /// Covariance of the two, cells²: non-zero where the picture shears the tag, and where the blur
    /// is longer along a diagonal, from a moving hand or towards the rim of a lens.
    covariance: f32,
}

impl Blur {
    /// A blur of these standard deviations along u and v, cells; `covariance` in cells².
    pub fn new(sd: [f64; 2], covariance: f64) -> Self {
        Self {
            sd: sd.map(|sd| sd as f32),
            covariance: covariance as f32,
        }
    }
}

/// The share of each cell along one axis that reaches the blurred points of a group.
struct Coverage<S: Simd> {
    /// Cells from `first` to before `last` are seen by any of them.
    first: usize,
    last: usize,
    share: [Lanes<S>; CELLS],
    /// Derivative of the share by the place.
    slope: [Lanes<S>; CELLS],
    /// Derivative of the share by the blur.
    widen: [Lanes<S>; CELLS],
}

/// Beyond this many standard deviations a Gaussian is taken as zero (error below 4e-5).
const REACH_SD: f32 = 4.0;

impl<S: Simd> Coverage<S> {
    #[inline(always)]
    fn at(simd: S, places: Lanes<S>, blur: f32) -> Self {
        let (low, high) = (simd.reduce_min_f32x8(places), simd.reduce_max_f32x8(places));
        let reach = REACH_SD * blur;
        let limit = CELLS as f32;
        // Conversions round down; what is kept is never negative.
        let first = (low - reach).clamp(0.0, limit) as usize;
        let end = (high + reach).clamp(0.0, limit);
        let last = end as usize + usize::from(end > end as usize as f32);
        let none = [Lanes::splat(simd, 0.0); CELLS];
        let mut coverage = Self {
            first,
            last,
            share: none,
            slope: none,
            widen: none,
        };
        let seen = [low - reach, high + reach];
        let mut near = Edge::at(simd, places, first, seen, blur);
        for cell in first..last {
            let far = Edge::at(simd, places, cell + 1, seen, blur);
            coverage.share[cell] = near.passed - far.passed;
            coverage.slope[cell] = near.slope - far.slope;
            coverage.widen[cell] = far.widen - near.widen;
            near = far;
        }
        coverage
    }
}

/// The share of everything before an edge between cells that reaches the blurred points of a group.
#[derive(Clone, Copy)]
struct Edge<S: Simd> {
    passed: Lanes<S>,
    /// Derivative by the place.
    slope: Lanes<S>,
    /// Derivative by the blur, negative.
    widen: Lanes<S>,
}

impl<S: Simd> Edge<S> {
    /// Only edges between the places of `seen` are seen in part.
    #[inline(always)]
    fn at(simd: S, places: Lanes<S>, edge: usize, seen: [f32; 2], blur: f32) -> Self {
        let edge = edge as f32;
        let scale = blur.recip();
        let z = (places - edge) * scale;
        let zero = Lanes::splat(simd, 0.0);
        let (passed, density) = if edge <= seen[0] {
            (Lanes::splat(simd, 1.0), zero)
        } else if edge >= seen[1] {
            (zero, zero)
        } else {
            normal(simd, z)
        };
        Self {
            passed,
            slope: density * scale,
            widen: z * density * scale,
        }
    }
}

/// Distribution and density of the standard normal, to 1e-6 (Abramowitz and Stegun 1964, 26.2.17).
#[inline(always)]
fn normal<S: Simd>(simd: S, z: Lanes<S>) -> (Lanes<S>, Lanes<S>) {
    let size = z.abs().min(FARTHEST_SD);
    let density = exp_of_minus(simd, size * size * 0.5) * INVERSE_ROOT_2_PI;
    let t = Lanes::splat(simd, 1.0) / (size * TAIL_SCALE + 1.0);
    let tail = density * polynomial(simd, t, &TAIL);
    let passed = (Lanes::splat(simd, 0.5) - tail).copysign(z) + 0.5;
    (passed, density)
}

/// e to the power of `-x` for `x` up to 12.5: the series at a sixteenth of it, then squared four
/// times.
#[inline(always)]
fn exp_of_minus<S: Simd>(simd: S, x: Lanes<S>) -> Lanes<S> {
    let mut power = polynomial(simd, x * (-1.0 / 16.0), &EXP);
    for _ in 0..4 {
        power *= power;
    }
    power
}

/// The polynomial with these factors, the highest power's first.
#[inline(always)]
fn polynomial<S: Simd, const N: usize>(simd: S, x: Lanes<S>, factors: &[f32; N]) -> Lanes<S> {
    let mut sum = Lanes::splat(simd, factors[0]);
    for &factor in &factors[1..] {
        sum = sum * x + factor;
    }
    sum
}

/// From here on the normal distribution is taken as even; its density is 1e-6.
const FARTHEST_SD: f32 = 5.0;

const INVERSE_ROOT_2_PI: f32 = FRAC_2_SQRT_PI * FRAC_1_SQRT_2 / 2.0;
const TAIL_SCALE: f32 = 0.231_641_9;
const TAIL: [f32; 6] = [
    1.330_274_4,
    -1.821_255_9,
    1.781_477_9,
    -0.356_563_78,
    0.319_381_53,
    0.0,
];

/// One over the factorials from that of six down.
const EXP: [f32; 7] = [
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    0.5,
    1.0,
    1.0,
];

#[cfg(test)]
mod tests {
    use approx::assert_abs_diff_eq;

    use fearless_simd::{Level, dispatch, prelude::*};

    use super::normal;
    use crate::tags::pattern_fit::lanes::{Lanes, Numbers};

    /// Distribution and density at 0 to 4, after Abramowitz and Stegun 1964, table 26.1.
    const TABLE: [(f32, f32, f32); 8] = [
        (0.0, 0.5, 0.398_942_3),
        (0.5, 0.691_462_5, 0.352_065_3),
        (1.0, 0.841_344_7, 0.241_970_7),
        (1.5, 0.933_192_8, 0.129_517_6),
        (2.0, 0.977_249_9, 0.053_991_0),
        (2.5, 0.993_790_3, 0.017_528_3),
        (3.0, 0.998_650_1, 0.004_431_8),
        (4.0, 0.999_968_3, 0.000_133_8),
    ];

    fn numbers_of_normal(z: Numbers) -> (Numbers, Numbers) {
        dispatch!(Level::new(), simd => {
            let (passed, density) = normal(simd, Lanes::load_array(simd, z));
            (passed.into(), density.into())
        })
    }

    #[test]
    fn the_normal_distribution_is_the_tabled_one_on_both_sides() {
        for sign in [1.0, -1.0] {
            let z = TABLE.map(|(z, ..)| sign * z);
            let (passed, density) = numbers_of_normal(z);
            for (lane, (_, above, tabled_density)) in TABLE.into_iter().enumerate() {
                let tabled = if sign > 0.0 { above } else { 1.0 - above };
                assert_abs_diff_eq!(passed[lane], tabled, epsilon = 1e-6);
                assert_abs_diff_eq!(density[lane], tabled_density, epsilon = 1e-6);
            }
        }
    }
}
