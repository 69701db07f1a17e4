//! Delay of a follower behind the reference, which a slow sweep shows.
//!
//! The delay grows with the rate of the stick, the play does not: one linear regression over both directions,
//! δ = curve(s) + side · half the play + d · ds/dt, separates them, and its covariance shows how well.

use super::hold_levels::half_play_sd_deg;
use crate::response_model::{Legendre, side_at_rate};
use crate::solver::LinearSums;
use crate::stations::constants::{
    DELAY_SD_S, FASTEST_BY_REFERENCE_PCT_PER_S, SLOWEST_BY_REFERENCE_PCT_PER_S,
};
use crate::stations::trace::SurfaceTrace;
use crate::statistics::extremes;

/// Polynomials of the stick in the regression, with the constant.
const TERMS: usize = 6;

/// Places of half the play and of the rate among the unknowns, and their number.
const PLAY: usize = TERMS;
const RATE: usize = TERMS + 1;
const UNKNOWNS: usize = TERMS + 2;

/// Weight that keeps dependent terms apart, share of the frames' weight: far below any noise.
const RIDGE_SHARE: f64 = 1e-12;

/// Fewest frames of a sweep for the regression.
const FEWEST_FRAMES: usize = 3 * TERMS;

/// A frame in which a surface follows a slow sweep.
pub(in crate::stations) struct MovingFrame {
    stick_pct: f64,
    rate_pct_per_s: f64,
    angle_deg: f64,
    sd_deg: f64,
}

/// The frames in which the stick moves slowly and the surface was measured.
pub(in crate::stations) fn moving_frames(
    surface: &SurfaceTrace,
    stick_pct: &[Option<f64>],
    rates: &[Option<f64>],
) -> Vec<MovingFrame> {
    let moving = |frame: usize| {
        let (stick_pct, rate_pct_per_s) = (stick_pct[frame]?, rates[frame]?);
        let is_slow = (SLOWEST_BY_REFERENCE_PCT_PER_S..=FASTEST_BY_REFERENCE_PCT_PER_S)
            .contains(&rate_pct_per_s.abs());
        Some(MovingFrame {
            stick_pct,
            rate_pct_per_s,
            angle_deg: surface.angle_deg[frame].filter(|_| is_slow)?,
            sd_deg: surface.sd_deg[frame],
        })
    };
    (0..stick_pct.len()).filter_map(moving).collect()
}

/// How much later a surface moves than the reference, and the standard deviation; the prior where the frames do not
/// determine it.
pub(in crate::stations) fn delay_s(
    frames: &[MovingFrame],
    half_play_deg: Option<f64>,
) -> (f64, f64) {
    delay_by_regression_s(frames, half_play_deg).unwrap_or((0.0, DELAY_SD_S))
}

fn delay_by_regression_s(frames: &[MovingFrame], half_play_deg: Option<f64>) -> Option<(f64, f64)> {
    let span_pct = extremes(frames.iter().map(|frame| frame.stick_pct));
    let span_deg = extremes(frames.iter().map(|frame| frame.angle_deg));
    let (range_pct, travel_deg) = (span_pct[1] - span_pct[0], span_deg[1] - span_deg[0]);
    if frames.len() < FEWEST_FRAMES || range_pct <= 0.0 || travel_deg <= 0.0 {
        return None;
    }
    let slope_deg_per_pct = travel_deg / range_pct;
    let basis = Legendre::over(span_pct, TERMS);
    let mut sums = LinearSums::new(TERMS + 2);
    for frame in frames {
        sums.add_all(
            &terms(&basis, frame),
            frame.angle_deg,
            frame.sd_deg.powi(-2),
        );
    }
    sums.add_ridge(RIDGE_SHARE);
    // Without play from the holds, hysteresis may be play or delay.
    let half_play_weight = half_play_sd_deg(half_play_deg).powi(-2);
    sums.add(
        &[(PLAY, 1.0)],
        half_play_deg.unwrap_or(0.0),
        half_play_weight,
    );
    let delay_weight = (DELAY_SD_S * slope_deg_per_pct).powi(-2);
    sums.add(&[(RATE, 1.0)], 0.0, delay_weight);
    let fit = sums.fit()?;
    let residual = |frame: &MovingFrame| {
        let expected = terms(&basis, frame).into_iter().zip(&fit.values);
        let expected_deg: f64 = expected.map(|(term, by)| term * by).sum();
        (frame.angle_deg - expected_deg) / frame.sd_deg
    };
    let squares: f64 = frames.iter().map(|frame| residual(frame).powi(2)).sum();
    let variance = (squares / (frames.len() - UNKNOWNS) as f64).max(1.0);
    // A rising surface that moves later is lower: δ = … − slope · delay · rate.
    let delay_s = -fit.values[1].signum() * fit.values[RATE] / slope_deg_per_pct;
    let sd_s = (fit.covariance[(RATE, RATE)] * variance).sqrt() / slope_deg_per_pct;
    Some((delay_s, sd_s.min(DELAY_SD_S)))
}

/// Coefficients of the unknowns in a frame: the polynomials, half the play, the rate.
fn terms(basis: &Legendre, frame: &MovingFrame) -> Vec<f64> {
    let mut terms = basis.values(frame.stick_pct);
    terms.push(side_at_rate(frame.rate_pct_per_s, 0.0));
    terms.push(frame.rate_pct_per_s);
    terms
}
