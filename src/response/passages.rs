//! Deflection where a slow sweep passes a station.
//!
//! Around the station the surface's deflection is a parabola over the stick that it has come to, the
//! delay taken out; its value at the station is a weighted sum of the frames' deflections, so that
//! all that is known of their errors carries over (local polynomial regression; Cleveland, JASA 74
//! (1979) 829). Rising and falling passages are kept apart: they differ by the play.

use nalgebra::{DMatrix, DVector};

use super::averages::{Mean, own_rad2};
use super::constants::SHAKE_RAD;
use crate::motion::Motion;
use crate::solver::LinearSums;
use crate::stations::{Approach, Sweeps};

/// Terms of the parabola.
const TERMS: usize = 3;

/// Stick travel per unit of the parabola's abscissa, pct; keeps its sums of one size.
const UNIT_PCT: f64 = 10.0;

/// The deflection of a surface at a passage, or `None` with too few frames.
pub(super) fn mean_at(
    motion: &Motion,
    sweeps: &Sweeps,
    surface: usize,
    passage: usize,
) -> Option<Mean> {
    let passage = sweeps.passages.get(passage)?;
    let points: Vec<Point> = passage
        .frames
        .get(surface)?
        .iter()
        .filter_map(|&frame| {
            let course_pct = (*sweeps.course_pct.get(surface)?.get(frame)?)?;
            let deflection = motion.frames[frame].deflections[surface].as_ref()?;
            let x = (course_pct - passage.stick_pct) / UNIT_PCT;
            Some(Point {
                frame,
                terms: [1.0, x, x * x],
                angle_rad: deflection.angle_rad,
                weight: 1.0 / (own_rad2(motion, surface, frame) + SHAKE_RAD * SHAKE_RAD),
            })
        })
        .collect();
    if points.len() <= TERMS {
        return None;
    }
    let mut sums = LinearSums::new(TERMS);
    for point in &points {
        sums.add_all(&point.terms, point.angle_rad, point.weight);
    }
    let fit = sums.fit()?;
    let weights = points.iter().map(|point| {
        let share = fit.covariance.row(0).transpose().dot(&point.terms());
        (point.frame, share * point.weight)
    });
    let residuals = points.iter().map(|point| {
        let expected_rad = point.terms().dot(&fit.values);
        (point.frame, point.angle_rad - expected_rad)
    });
    Some(Mean {
        weights: weights.collect(),
        residuals: residuals.collect(),
        terms: TERMS,
        scatter_rad2: 0.0,
        slope_rad_per_pct: fit.values[1] / UNIT_PCT,
    })
}

struct Point {
    frame: usize,
    terms: [f64; TERMS],
    angle_rad: f64,
    weight: f64,
}

impl Point {
    fn terms(&self) -> DVector<f64> {
        DVector::from_row_slice(&self.terms)
    }
}

/// Adds common errors of passages besides the fit: timing, and errors of opposite sign in rising
/// and falling ones.
///
/// Rows are the means of all surfaces in order; `rows` names the surface, the passage and the
/// slope of each row that is one.
pub(super) fn add_shared_rad2(
    covariance_rad2: &mut DMatrix<f64>,
    sweeps: &Sweeps,
    rows: &[Option<(usize, usize, f64)>],
) {
    let way_pct_per_s = |passage: usize| sweeps.passages[passage].rate_pct_per_s;
    let opposed_pct = |surface: usize, passage: usize| {
        let sd_pct = sweeps.opposed_sd_pct.get(surface).copied().unwrap_or(0.0);
        match sweeps.passages[passage].approach {
            Approach::Falling => -sd_pct,
            Approach::Rising | Approach::First => sd_pct,
        }
    };
    for (row, a) in rows.iter().enumerate() {
        for (column, b) in rows.iter().enumerate() {
            let (Some((surface_a, at_a, slope_a)), Some((surface_b, at_b, slope_b))) = (a, b)
            else {
                continue;
            };
            let slopes = slope_a * slope_b;
            let timing_s2 = sweeps.timing_covariance_s2[(*surface_a, *surface_b)];
            let timing = timing_s2 * way_pct_per_s(*at_a) * way_pct_per_s(*at_b);
            let opposed = if surface_a == surface_b {
                opposed_pct(*surface_a, *at_a) * opposed_pct(*surface_b, *at_b)
            } else {
                0.0
            };
            covariance_rad2[(row, column)] += slopes * (timing + opposed);
        }
    }
}
