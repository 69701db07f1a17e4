//! Means over the frames of a hold, and their uncertainty.
//!
//! The fit propagates the noise of the corners to each deflection. Shake and errors that last over
//! several frames are not in the fit, but show in the scatter of the frames about their mean; they
//! are added after JCGM 100:2008, 4.2 and 5.1, with the effective number of independent frames.

use super::constants::{
    FEWEST_HOLD_FRAMES, LARGEST_CORRELATION, OUTLIER_FLOOR_RAD, OUTLIER_SIGMAS, POOLED_FREEDOM,
    SHAKE_RAD,
};
use crate::motion::Motion;
use crate::statistics::{SD_FROM_MAD, median};

/// A mean over frames of one surface, or another weighted sum of them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Mean {
    /// Position of each frame used and its weight; the weights add up to one.
    pub weights: Vec<(usize, f64)>,
    /// Deviation of each frame, rad.
    pub residuals: Vec<(usize, f64)>,
    /// Number of unknowns estimated from the frames: 1 for a mean.
    pub terms: usize,
    /// Variance of the mean beyond that of the fit, rad².
    pub scatter_rad2: f64,
    /// Change of the deflection with the stick, 0 at rest.
    pub slope_rad_per_pct: f64,
}

/// One surface's scatter about its means, all holds together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scatter {
    /// Variance of a frame about its hold's mean, rad².
    pub variance_rad2: f64,
    /// Variance of a frame from the fit, rad².
    pub own_rad2: f64,
    /// Correlation of neighbouring frames.
    pub correlation: f64,
    /// Degrees of freedom of the variance.
    pub freedom: f64,
}

/// The frames of a hold that are worth averaging, with their weights, or `None` if too few.
pub(super) fn mean_over(motion: &Motion, surface: usize, frames: &[usize]) -> Option<Mean> {
    let angle = |frame: usize| {
        Some(
            motion.frames[frame].deflections[surface]
                .as_ref()?
                .angle_rad,
        )
    };
    let angles: Vec<(usize, f64)> = frames
        .iter()
        .filter_map(|&frame| Some((frame, angle(frame)?)))
        .collect();
    let centre = median(angles.iter().map(|point| point.1))?;
    let deviation = median(angles.iter().map(|point| (point.1 - centre).abs()))?;
    let own = median(
        angles
            .iter()
            .map(|point| own_rad2(motion, surface, point.0).sqrt()),
    )?;
    let limit = OUTLIER_SIGMAS * (SD_FROM_MAD * deviation).max(own).max(OUTLIER_FLOOR_RAD);
    let kept = angles
        .iter()
        .filter(|point| (point.1 - centre).abs() <= limit);
    let raw: Vec<(usize, f64)> = kept
        .map(|&(frame, _)| {
            let variance = own_rad2(motion, surface, frame) + SHAKE_RAD * SHAKE_RAD;
            (frame, 1.0 / variance)
        })
        .collect();
    let total: f64 = raw.iter().map(|point| point.1).sum();
    let weights = raw.iter().map(|&(frame, raw)| (frame, raw / total));
    let weights: Vec<(usize, f64)> = weights.collect();
    (raw.len() >= FEWEST_HOLD_FRAMES).then(|| Mean {
        residuals: residuals(motion, surface, &weights),
        weights,
        terms: 1,
        scatter_rad2: 0.0,
        slope_rad_per_pct: 0.0,
    })
}

/// Variance of one frame's deflection from the fit that differs from frame to frame: the constants
/// count as exact, and errors that last through a rest do not scatter within it.
pub(super) fn own_rad2(motion: &Motion, surface: usize, frame: usize) -> f64 {
    let own_rad2 = motion.frames[frame].own_covariance_rad2[(surface, surface)];
    own_rad2 * (1.0 - motion.lasting.share)
}

/// Measures a surface's scatter from means of one kind and gives each its share of it.
pub(super) fn add_scatter(motion: &Motion, surface: usize, means: &mut [&mut Mean]) -> Scatter {
    let residuals: Vec<Vec<(usize, f64)>> =
        means.iter().map(|mean| mean.residuals.clone()).collect();
    let correlation = neighbour_correlation(&residuals);
    let mut scatter = Scatter {
        variance_rad2: 0.0,
        own_rad2: 0.0,
        correlation,
        freedom: 0.0,
    };
    for (mean, residuals) in means.iter().zip(&residuals) {
        let lost = mean.terms as f64 * variance_inflation(residuals.len(), correlation);
        let freedom = residuals.len() as f64 - lost;
        let own = mean
            .weights
            .iter()
            .map(|&(frame, _)| own_rad2(motion, surface, frame));
        scatter.freedom += freedom.max(0.0);
        scatter.variance_rad2 += square_sum(residuals);
        scatter.own_rad2 += own.sum::<f64>() / mean.weights.len() as f64 * freedom.max(0.0);
    }
    if scatter.freedom <= 0.0 {
        return scatter;
    }
    scatter.variance_rad2 /= scatter.freedom;
    scatter.own_rad2 /= scatter.freedom;
    for (mean, residuals) in means.iter_mut().zip(&residuals) {
        let variance = (square_sum(residuals) + POOLED_FREEDOM * scatter.variance_rad2)
            / (residuals.len() as f64 - mean.terms as f64 + POOLED_FREEDOM);
        // As many equal frames as these weights are worth; a mean's are worth all of them.
        let squares: f64 = mean.weights.iter().map(|(_, weight)| weight * weight).sum();
        let unequal = match mean.terms {
            1 => 1.0,
            _ => squares * residuals.len() as f64,
        };
        let seen_rad2 = unequal * variance_of_mean(variance, residuals.len(), correlation);
        let expected_rad2: f64 = mean
            .weights
            .iter()
            .map(|&(frame, weight)| weight * weight * own_rad2(motion, surface, frame))
            .sum();
        mean.scatter_rad2 = (seen_rad2 - expected_rad2).max(0.0);
    }
    scatter
}

fn residuals(motion: &Motion, surface: usize, weights: &[(usize, f64)]) -> Vec<(usize, f64)> {
    let angle = |frame: usize| {
        let deflection = motion.frames[frame].deflections[surface].as_ref();
        deflection.map_or(0.0, |deflection| deflection.angle_rad)
    };
    let centre: f64 = weights.iter().map(|&(f, weight)| weight * angle(f)).sum();
    let residual = |&(frame, _): &(usize, f64)| (frame, angle(frame) - centre);
    weights.iter().map(residual).collect()
}

fn square_sum(residuals: &[(usize, f64)]) -> f64 {
    residuals.iter().map(|point| point.1 * point.1).sum()
}

/// Correlation of neighbouring frames, from mean squared differences one and two frames apart.
///
/// Differences do not depend on the mean, so short holds bias them little. With γ_k = σ² (1 − ρ^k),
/// a first-order autoregression, ρ = γ₂/γ₁ − 1.
fn neighbour_correlation(residuals: &[Vec<(usize, f64)>]) -> f64 {
    let mean_squared_step = |apart: usize| {
        let steps = residuals.iter().flat_map(|hold| {
            hold.iter()
                .zip(hold.iter().skip(apart))
                .filter(move |(a, b)| b.0 - a.0 == apart)
                .map(|(a, b)| (b.1 - a.1).powi(2))
        });
        let (sum, count) = steps.fold((0.0, 0.0), |(sum, count), step| (sum + step, count + 1.0));
        (count > 0.0 && sum > 0.0).then(|| sum / count)
    };
    match (mean_squared_step(1), mean_squared_step(2)) {
        (Some(near), Some(far)) => (far / near - 1.0).clamp(0.0, LARGEST_CORRELATION),
        _ => 0.0,
    }
}

/// How many times larger the variance of a mean of correlated frames is than that of independent
/// ones: 1 + 2 Σ (1 − k/n) ρ^k.
fn variance_inflation(count: usize, correlation: f64) -> f64 {
    let share = |k: usize| 1.0 - k as f64 / count as f64;
    let power = |k: usize| correlation.powi(k as i32);
    1.0 + 2.0 * (1..count).map(|k| share(k) * power(k)).sum::<f64>()
}

/// Variance of the mean of frames with a variance and a correlation of neighbours.
pub(super) fn variance_of_mean(variance: f64, count: usize, correlation: f64) -> f64 {
    variance / count as f64 * variance_inflation(count, correlation)
}
