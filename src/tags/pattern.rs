//! The printed pattern of a tag, and how it looks through a blurring lens.

use std::sync::LazyLock;

/// Cells along one side of the black square, border included.
pub const CELLS: usize = 8;

/// A tag's cells, row by row from the top-left of the printed tag; `true` is white.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    white: [[bool; CELLS]; CELLS],
}

/// The blurred pattern at one place, and how it changes there. Lengths are in cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shade {
    /// Share of white, 0 to 1.
    pub white: f64,
    /// Change along u (to the right on the tag), per cell.
    pub du: f64,
    /// Change along v (down on the tag), per cell.
    pub dv: f64,
    /// Change with the blur along u, per cell.
    pub dblur_u: f64,
    /// Change with the blur along v, per cell.
    pub dblur_v: f64,
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
    pub fn shade(&self, u: f64, v: f64, blur: &Blur) -> Shade {
        let columns = Coverage::at(u, blur.sd[0], blur.per_sd[0]);
        let rows = Coverage::at(v, blur.sd[1], blur.per_sd[1]);
        let mut shade = Shade {
            white: 1.0,
            du: 0.0,
            dv: 0.0,
            dblur_u: 0.0,
            dblur_v: 0.0,
        };
        for row in rows.first..rows.last {
            let (mut share, mut slope, mut widen) = (0.0, 0.0, 0.0);
            for column in columns.first..columns.last {
                if !self.white[row][column] {
                    share += columns.share[column];
                    slope += columns.slope[column];
                    widen += columns.widen[column];
                }
            }
            shade.white -= share * rows.share[row] + blur.covariance * slope * rows.slope[row];
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
    sd: [f64; 2],
    /// Their inverses.
    per_sd: [f64; 2],
    /// Covariance of the two, cells²: other than zero where the picture shears the tag.
    covariance: f64,
}

impl Blur {
    /// A blur of these standard deviations along u and v, cells; `covariance` in cells².
    pub fn new(sd: [f64; 2], covariance: f64) -> Self {
        Self {
            sd,
            per_sd: sd.map(f64::recip),
            covariance,
        }
    }
}

/// How much of each cell along one axis a blurred point sees.
struct Coverage {
    first: usize,
    last: usize,
    share: [f64; CELLS],
    /// Derivative of the share by the place.
    slope: [f64; CELLS],
    /// Derivative of the share by the blur.
    widen: [f64; CELLS],
}

/// Beyond this many standard deviations a Gaussian is taken as zero (error below 4e-5).
const REACH_SD: f64 = 4.0;

impl Coverage {
    #[inline]
    fn at(place: f64, blur: f64, scale: f64) -> Self {
        let reach = REACH_SD * blur;
        let limit = CELLS as f64;
        // Conversions round down; what is kept is never negative.
        let first = (place - reach).clamp(0.0, limit) as usize;
        let end = (place + reach).clamp(0.0, limit);
        let last = end as usize + usize::from(end > end as usize as f64);
        let mut coverage = Self {
            first,
            last,
            share: [0.0; CELLS],
            slope: [0.0; CELLS],
            widen: [0.0; CELLS],
        };
        let table: &[(f64, f64)] = &NORMAL;
        let mut z = (place - first as f64) * scale;
        let (mut passed, mut density) = normal(table, z);
        for cell in first..last {
            let z_next = (place - (cell + 1) as f64) * scale;
            let (passed_next, density_next) = normal(table, z_next);
            coverage.share[cell] = passed - passed_next;
            coverage.slope[cell] = (density - density_next) * scale;
            coverage.widen[cell] = (z_next * density_next - z * density) * scale;
            (z, passed, density) = (z_next, passed_next, density_next);
        }
        coverage
    }
}

/// Steps of the table of the normal distribution per standard deviation.
const TABLE_STEPS: usize = 256;
const TABLE_REACH: usize = 5;

/// Distribution and density of the standard normal at equal steps from −5 to 5.
static NORMAL: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    let count = 2 * TABLE_REACH * TABLE_STEPS + 1;
    let step = 1.0 / TABLE_STEPS as f64;
    let density = |z: f64| (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let mut sum = 0.0;
    let mut table = Vec::with_capacity(count);
    for index in 0..count {
        let z = index as f64 * step - TABLE_REACH as f64;
        if index > 0 {
            // Simpson's rule over the step just passed.
            sum += step / 6.0 * (density(z - step) + 4.0 * density(z - step / 2.0) + density(z));
        }
        table.push((sum, density(z)));
    }
    table.iter_mut().for_each(|entry| entry.0 /= sum);
    table
});

/// Distribution and density of the standard normal, interpolated (error below 2e-6) up to
/// [`REACH_SD`].
#[inline]
fn normal(table: &[(f64, f64)], z: f64) -> (f64, f64) {
    if z >= REACH_SD {
        return (1.0, 0.0);
    }
    if z <= -REACH_SD {
        return (0.0, 0.0);
    }
    let place = (z + TABLE_REACH as f64) * TABLE_STEPS as f64;
    let index = place as usize;
    match table.get(index..index + 2) {
        Some(&[(passed_a, density_a), (passed_b, density_b)]) => {
            let part = place - index as f64;
            (
                passed_a + part * (passed_b - passed_a),
                density_a + part * (density_b - density_a),
            )
        }
        _ => (1.0, 0.0),
    }
}
