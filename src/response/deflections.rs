//! Deflections by hold and by frame, from neutral, with their joint covariance.

use nalgebra::{DMatrix, DVector};

use super::averages::{FEWEST_FRAMES, Mean, Scatter, add_scatter, mean_over};
use super::{ResponseError, ResponseWarning};
use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::motion::{Motion, WeightedSum};
use crate::stations::Holds;
use crate::warning::Warning;

/// One surface's means.
pub(super) struct SurfaceMeans {
    /// Position of each measured hold in time.
    pub holds: Vec<usize>,
    /// Mean over each measured hold; a declared span of neutral follows as the last one.
    pub means: Vec<Mean>,
    /// Share of each mean in neutral; the shares add up to one.
    pub neutral_shares: Vec<f64>,
    /// Scatter about the means.
    pub scatter: Scatter,
}

/// Deflections of all surfaces at all holds, surface by surface and in time.
pub(super) struct HoldDeflections {
    /// Deflection from neutral, deg.
    pub values_deg: DVector<f64>,
    /// Joint covariance, deg².
    pub covariance_deg2: DMatrix<f64>,
}

/// Averages a surface over every hold in which it was seen, and over neutral.
pub(super) fn surface_means(
    motion: &Motion,
    holds: &Holds,
    surface: usize,
    warnings: &mut Vec<Warning>,
) -> Result<SurfaceMeans, ResponseError> {
    let name = &motion.surfaces[surface].name;
    let mut measured = Vec::new();
    let mut means = Vec::new();
    let mut neutral_counts = Vec::new();
    for (position, hold) in holds.holds.iter().enumerate() {
        let Some(mean) = mean_over(motion, surface, &hold.frames) else {
            let seen = |frame: &&usize| motion.frames[**frame].deflections[surface].is_some();
            warnings.push(Warning::Response(ResponseWarning::HoldNotMeasured {
                surface: name.clone(),
                stick_pct: hold.stick_pct,
                time_s: hold.time_s,
                frames: hold.frames.iter().filter(seen).count(),
                fewest: FEWEST_FRAMES,
            }));
            continue;
        };
        let is_neutral = |(frame, _): &&(usize, f64)| holds.neutral_frames.contains(frame);
        neutral_counts.push(mean.weights.iter().filter(is_neutral).count() as f64);
        measured.push(position);
        means.push(mean);
    }
    if neutral_counts.iter().all(|count| *count == 0.0) {
        let span = mean_over(motion, surface, &holds.neutral_frames);
        means.push(span.ok_or_else(|| ResponseError::NeutralNotMeasured {
            surface: name.clone(),
            frames: holds.neutral_frames.len(),
        })?);
        neutral_counts.push(1.0);
    }
    let total: f64 = neutral_counts.iter().sum();
    let scatter = add_scatter(motion, surface, &mut means);
    Ok(SurfaceMeans {
        holds: measured,
        means,
        neutral_shares: neutral_counts.iter().map(|count| count / total).collect(),
        scatter,
    })
}

/// Takes every hold's mean from neutral, for all surfaces jointly.
pub(super) fn hold_deflections(motion: &Motion, surfaces: &[SurfaceMeans]) -> HoldDeflections {
    let sums: Vec<_> = surfaces
        .iter()
        .enumerate()
        .flat_map(|(surface, means)| {
            means.means.iter().map(move |mean| {
                let term = |&(frame, weight): &(usize, f64)| (frame, surface, weight);
                mean.weights.iter().map(term).collect()
            })
        })
        .collect();
    let (values, mut covariance) = motion.weighted_sums(&sums);
    let scatter = surfaces.iter().flat_map(|surface| &surface.means);
    for (row, mean) in scatter.enumerate() {
        covariance[(row, row)] += mean.scatter_rad2;
    }
    let from_neutral = from_neutral(surfaces);
    let to_deg = deg_from_rad(1.0);
    HoldDeflections {
        values_deg: &from_neutral * values * to_deg,
        covariance_deg2: &from_neutral * covariance * from_neutral.transpose() * (to_deg * to_deg),
    }
}

/// The matrix that takes neutral off the means: one row a hold, one column a mean.
fn from_neutral(surfaces: &[SurfaceMeans]) -> DMatrix<f64> {
    let rows = surfaces.iter().map(|surface| surface.holds.len()).sum();
    let columns = surfaces.iter().map(|surface| surface.means.len()).sum();
    let mut matrix = DMatrix::zeros(rows, columns);
    let (mut row, mut column) = (0, 0);
    for surface in surfaces {
        for hold in 0..surface.holds.len() {
            for (mean, share) in surface.neutral_shares.iter().enumerate() {
                matrix[(row + hold, column + mean)] = -share;
            }
            matrix[(row + hold, column + hold)] += 1.0;
        }
        row += surface.holds.len();
        column += surface.means.len();
    }
    matrix
}

/// Deflection from neutral of each surface in each frame, deg; `None` where it was not measured.
///
/// Frames by surfaces, in the order of [`Motion::frames`] and of `surfaces`. The standard deviation
/// is that of the fit, with that of neutral and of the constants.
pub(super) fn frame_deflections(
    motion: &Motion,
    surfaces: &[SurfaceMeans],
) -> Vec<Vec<Option<Measured>>> {
    let mut by_frame = vec![Vec::new(); motion.frames.len()];
    let to_deg = deg_from_rad(1.0);
    for (surface, means) in surfaces.iter().enumerate() {
        let deflections_rad = motion.deflections_from(surface, &neutral_sum(surface, means));
        for (row, deflection) in by_frame.iter_mut().zip(deflections_rad) {
            row.push(deflection.map(|rad| rad.scaled(to_deg)));
        }
    }
    by_frame
}

/// Neutral as one weighted sum of deflections.
fn neutral_sum(surface: usize, means: &SurfaceMeans) -> WeightedSum {
    let shares = means.means.iter().zip(&means.neutral_shares);
    shares
        .filter(|(_, share)| **share > 0.0)
        .flat_map(|(mean, share)| {
            let term = move |&(frame, weight): &(usize, f64)| (frame, surface, share * weight);
            mean.weights.iter().map(term)
        })
        .collect()
}
