//! Deflections of one surface explained by a known shaft.
//!
//! The response is straight between knots and half the play is added on either side: both are linear,
//! so that one small least squares finds them.

use nalgebra::{DMatrix, DVector};

use super::servo::Shaft;
use crate::stations::trace::SurfaceTrace;

/// Way between the knots of a response, pct.
const KNOT_PCT: f64 = 12.5;

/// Standard deviation of the bend at a knot, deg: an arm, rod and horn bend by tenths of a degree
/// over two such ways, a surface that stops by its whole slope.
const BEND_SD_DEG: f64 = 1.0;

/// Stick travel over which the play is taken up after a turn, pct, for timing.
const PLAY_WAY_PCT: f64 = 1.0;

/// A measured frame in which the shaft is known.
struct Seen {
    frame: usize,
    angle_deg: f64,
    sd_deg: f64,
    shaft_pct: f64,
    side: f64,
}

/// The measured frames of one surface in which its shaft is known.
fn seen_with_shaft(surface: &SurfaceTrace, shafts: &[Option<Shaft>]) -> Vec<Seen> {
    let mut side = PlaySide::default();
    let mut seen = Vec::new();
    for (frame, (shaft, angle_deg)) in shafts.iter().zip(&surface.angle_deg).enumerate() {
        let Some(shaft) = shaft else { continue };
        // Where it was not measured, the shaft still moves.
        let side = side.after(shaft.at_pct);
        if let Some(angle_deg) = *angle_deg {
            seen.push(Seen {
                frame,
                angle_deg,
                sd_deg: surface.sd_deg[frame],
                shaft_pct: shaft.at_pct,
                side,
            });
        }
    }
    seen
}

/// Knots of a response at equal ways; its unknowns are the deflections there, then half the play.
struct Knots {
    lowest_pct: f64,
    step_pct: f64,
    count: usize,
}

impl Knots {
    /// Over the whole way of the shaft; `None` if there is none.
    fn over(seen: &[Seen]) -> Option<Self> {
        let ways = || seen.iter().map(|seen| seen.shaft_pct);
        let lowest_pct = ways().fold(f64::INFINITY, f64::min);
        let way_pct = ways().fold(f64::NEG_INFINITY, f64::max) - lowest_pct;
        let steps = (way_pct / KNOT_PCT).ceil();
        (way_pct > 0.0).then_some(Self {
            lowest_pct,
            step_pct: way_pct / steps,
            count: steps as usize + 1,
        })
    }

    /// The unknowns that a frame depends on, and how: two knots and the play.
    fn touched(&self, seen: &Seen) -> [(usize, f64); 3] {
        let last = (self.count - 1) as f64;
        let place = ((seen.shaft_pct - self.lowest_pct) / self.step_pct).clamp(0.0, last);
        let knot = (place as usize).min(self.count - 2);
        let share = place - knot as f64;
        [
            (knot, 1.0 - share),
            (knot + 1, share),
            (self.count, seen.side),
        ]
    }

    /// Prior information on the unknowns, as an information matrix.
    fn prior(&self) -> DMatrix<f64> {
        let mut prior = DMatrix::zeros(self.count + 1, self.count + 1);
        for knot in 1..self.count - 1 {
            let bend = [(knot - 1, 1.0), (knot, -2.0), (knot + 1, 1.0)];
            for (row, a) in bend {
                for (column, b) in bend {
                    prior[(row, column)] += a * b / (BEND_SD_DEG * BEND_SD_DEG);
                }
            }
        }
        // Half the play of a surface that never turned is undetermined: a very weak prior keeps it
        // at 0.
        prior[(self.count, self.count)] += 1.0;
        prior
    }
}

/// One surface explained by its shaft: the best response and play, and the residuals.
pub(in crate::stations) struct ResponseFit {
    /// Measured frames in which the shaft is known.
    pub frames: Vec<usize>,
    /// Residual of each.
    pub residuals_deg: Vec<f64>,
}

impl ResponseFit {
    /// `None` if the shaft never moves in a measured frame.
    pub fn new(surface: &SurfaceTrace, shafts: &[Option<Shaft>]) -> Option<Self> {
        let all = seen_with_shaft(surface, shafts);
        let knots = Knots::over(&all)?;
        let mut normal = knots.prior();
        let mut moments = DVector::<f64>::zeros(normal.nrows());
        // Each frame touches three unknowns, so the sums are added up entry by entry.
        for seen in &all {
            let weight = seen.sd_deg.powi(-2);
            let touched = knots.touched(seen);
            for (row, a) in touched {
                moments[row] += weight * a * seen.angle_deg;
                for (column, b) in touched {
                    normal[(row, column)] += weight * a * b;
                }
            }
        }
        let coefficients = normal.cholesky()?.solve(&moments);
        let residual_deg = |seen: &Seen| {
            let by_knots = knots
                .touched(seen)
                .map(|(unknown, by)| by * coefficients[unknown]);
            seen.angle_deg - by_knots.iter().sum::<f64>()
        };
        Some(Self {
            residuals_deg: all.iter().map(residual_deg).collect(),
            frames: all.iter().map(|seen| seen.frame).collect(),
        })
    }
}

/// On which side of its play a surface is: −1 after rising, +1 after falling.
#[derive(Default)]
struct PlaySide {
    rest_pct: Option<f64>,
}

impl PlaySide {
    fn after(&mut self, at_pct: f64) -> f64 {
        let half = 0.5 * PLAY_WAY_PCT;
        let rest = self.rest_pct.unwrap_or(at_pct);
        let rest = rest.clamp(at_pct - half, at_pct + half);
        self.rest_pct = Some(rest);
        (rest - at_pct) / half
    }
}
