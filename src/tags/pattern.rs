//! The printed pattern of a tag, and how it looks through a blurring lens.

use std::f32::consts::{FRAC_1_SQRT_2, FRAC_2_SQRT_PI};

use serde::{Deserialize, Serialize};

use super::patch::Lanes;

/// Cells along one side of the black square, border included.
pub const CELLS: usize = 8;

/// Half the black square's side in cells.
pub(super) const HALF: f64 = CELLS as f64 / 2.0;

/// A tag's cells, row by row from the top-left of the printed tag; `true` is white.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pattern {
    white: [[bool; CELLS]; CELLS],
}

/// The blurred pattern at the places of a group, and how it changes there. Lengths are in cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shade {
    /// Share of white, 0 to 1.
    pub white: Lanes,
    /// Change along u (to the right on the tag), per cell.
    pub du: Lanes,
    /// Change along v (down on the tag), per cell.
    pub dv: Lanes,
    /// Change with the blur along u, per cell.
    pub dblur_u: Lanes,
    /// Change with the blur along v, per cell.
    pub dblur_v: Lanes,
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
    /// `u` and `v` run from 0 to [`CELLS`] over the black square. The paper is taken as white
    /// without end. The blur's covariance, which shows at the corners of cells only, is taken to
    /// first order: a Gaussian's derivative by it is its mixed second derivative (R. L. Plackett,
    /// Biometrika 41 (1954) 351).
    #[inline]
    pub(super) fn shade(&self, u: Lanes, v: Lanes, blur: &Blur) -> Shade {
        let columns = Coverage::at(u, blur.sd[0]);
        let rows = Coverage::at(v, blur.sd[1]);
        let mut shade = Shade {
            white: Lanes::ONE,
            du: Lanes::ZERO,
            dv: Lanes::ZERO,
            dblur_u: Lanes::ZERO,
            dblur_v: Lanes::ZERO,
        };
        for row in rows.first..rows.last {
            let (mut share, mut slope, mut widen) = (Lanes::ZERO, Lanes::ZERO, Lanes::ZERO);
            for column in columns.first..columns.last {
                if !self.white[row][column] {
                    share += columns.share[column];
                    slope += columns.slope[column];
                    widen += columns.widen[column];
                }
            }
            shade.white -= share * rows.share[row] + slope * rows.slope[row] * blur.covariance;
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
pub(super) struct Blur {
    /// Standard deviations along u and v, cells.
    sd: [f32; 2],
    /// Covariance of the two, cells²: other than zero where the picture shears the tag.
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

/// How much of each cell along one axis the blurred points of a group see.
struct Coverage {
    /// Cells from `first` to before `last` are seen by any of them.
    first: usize,
    last: usize,
    share: [Lanes; CELLS],
    /// Derivative of the share by the place.
    slope: [Lanes; CELLS],
    /// Derivative of the share by the blur.
    widen: [Lanes; CELLS],
}

/// Beyond this many standard deviations a Gaussian is taken as zero (error below 4e-5).
const REACH_SD: f32 = 4.0;

impl Coverage {
    #[inline]
    fn at(places: Lanes, blur: f32) -> Self {
        let (low, high) = span(places);
        let reach = REACH_SD * blur;
        let limit = CELLS as f32;
        // Conversions round down; what is kept is never negative.
        let first = (low - reach).clamp(0.0, limit) as usize;
        let end = (high + reach).clamp(0.0, limit);
        let last = end as usize + usize::from(end > end as usize as f32);
        let mut coverage = Self {
            first,
            last,
            share: [Lanes::ZERO; CELLS],
            slope: [Lanes::ZERO; CELLS],
            widen: [Lanes::ZERO; CELLS],
        };
        let scale = blur.recip();
        let at = |edge: usize| {
            let edge = edge as f32;
            let z = (places - edge) * scale;
            let (passed, density) = if edge <= low - reach {
                (Lanes::ONE, Lanes::ZERO)
            } else if edge >= high + reach {
                (Lanes::ZERO, Lanes::ZERO)
            } else {
                normal(z)
            };
            (passed, density * scale, z * density * scale)
        };
        let mut near = at(first);
        for cell in first..last {
            let far = at(cell + 1);
            coverage.share[cell] = near.0 - far.0;
            coverage.slope[cell] = near.1 - far.1;
            coverage.widen[cell] = far.2 - near.2;
            near = far;
        }
        coverage
    }
}

/// The smallest and the largest.
#[inline]
fn span(places: Lanes) -> (f32, f32) {
    let widen = |(low, high): (f32, f32), place: f32| (low.min(place), high.max(place));
    let none = (f32::INFINITY, f32::NEG_INFINITY);
    places.to_array().into_iter().fold(none, widen)
}

/// Distribution and density of the standard normal, to 1e-6 (Abramowitz and Stegun 1964, 26.2.17).
#[inline]
fn normal(z: Lanes) -> (Lanes, Lanes) {
    let size = z.abs().fast_min(Lanes::splat(FARTHEST_SD));
    let density = exp_of_minus(size * size * 0.5) * INVERSE_ROOT_2_PI;
    let t = Lanes::ONE / (size * TAIL_SCALE + 1.0);
    let tail = density * polynomial(t, &TAIL);
    let passed = (Lanes::HALF - tail).copysign(z) + Lanes::HALF;
    (passed, density)
}

/// e to the power of `-x` for `x` up to 12.5: the series at a sixteenth of it, then squared four
/// times.
#[inline]
fn exp_of_minus(x: Lanes) -> Lanes {
    let mut power = polynomial(x * (-1.0 / 16.0), &EXP);
    for _ in 0..4 {
        power = power * power;
    }
    power
}

/// The polynomial with these factors, the highest power's first.
#[inline]
fn polynomial<const N: usize>(x: Lanes, factors: &[f32; N]) -> Lanes {
    let mut sum = Lanes::splat(factors[0]);
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

    use super::normal;
    use crate::tags::patch::Lanes;

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

    #[test]
    fn the_normal_distribution_is_the_tabled_one_on_both_sides() {
        for sign in [1.0, -1.0] {
            let z = Lanes::from(TABLE.map(|(z, ..)| sign * z));
            let (passed, density) = normal(z);
            for (lane, (_, above, tabled_density)) in TABLE.into_iter().enumerate() {
                let tabled = if sign > 0.0 { above } else { 1.0 - above };
                assert_abs_diff_eq!(passed.to_array()[lane], tabled, epsilon = 1e-6);
                assert_abs_diff_eq!(density.to_array()[lane], tabled_density, epsilon = 1e-6);
            }
        }
    }
}
