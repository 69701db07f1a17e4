//! Deflections by visit and by frame, from neutral, with their joint covariance.

use nalgebra::{DMatrix, DVector};

use super::averages::{Mean, Scatter, add_scatter, mean_over};
use super::constants::FEWEST_HOLD_FRAMES;
use super::passages::{add_shared_rad2, mean_at};
use super::visits::{Place, StationVisit, visits};
use super::warning::UnmeasuredHold;
use super::{ResponseError, ResponseWarning};
use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::motion::{Motion, WeightedSum};
use crate::stations::{Holds, Sweeps};

/// One surface's means.
pub(super) struct SurfaceMeans {
    /// Position of each measured visit in time.
    pub visits: Vec<usize>,
    /// Mean over each measured visit; a declared span of neutral follows as the last one.
    pub means: Vec<Mean>,
    /// The passage behind each mean, if it is one.
    passages: Vec<Option<usize>>,
    /// Share of each mean in neutral; the shares add up to one.
    pub neutral_shares: Vec<f64>,
    /// Scatter about the means at rest.
    pub scatter: Scatter,
}

/// Deflections of all surfaces at all visits, surface by surface and in time.
pub(super) struct HoldDeflections {
    /// Deflection from neutral, deg.
    pub values_deg: DVector<f64>,
    /// Joint covariance, deg².
    pub covariance_deg2: DMatrix<f64>,
}

/// The means over the visits of a surface, and the visits without one.
#[derive(Default)]
struct VisitMeans {
    /// Position of each measured visit in time.
    visits: Vec<usize>,
    means: Vec<Mean>,
    /// The passage behind each mean, if it is one.
    passages: Vec<Option<usize>>,
    /// Number of frames in neutral behind each mean.
    neutral_counts: Vec<f64>,
    unmeasured: Vec<UnmeasuredHold>,
}

impl VisitMeans {
    /// Averages a surface over every visit in which it was seen.
    fn over_all(motion: &Motion, holds: &Holds, surface: usize) -> Self {
        let mut all = Self::default();
        for (position, visit) in visits(holds).iter().enumerate() {
            let mean = match visit.place {
                Place::Hold(hold) => mean_over(motion, surface, &holds.holds[hold].frames),
                Place::Passage(passage) => mean_at(motion, &holds.sweeps, surface, passage),
            };
            let Some(mean) = mean else {
                let unmeasured = unmeasured_hold(motion, holds, surface, visit);
                all.unmeasured.extend(unmeasured);
                continue;
            };
            let is_neutral = |(frame, _): &&(usize, f64)| holds.neutral_frames.contains(frame);
            let (count, passage) = match visit.place {
                Place::Hold(_) => (mean.weights.iter().filter(is_neutral).count(), None),
                Place::Passage(passage) => (0, Some(passage)),
            };
            all.visits.push(position);
            all.push(mean, passage, count as f64);
        }
        all
    }

    fn push(&mut self, mean: Mean, passage: Option<usize>, neutral_count: f64) {
        self.means.push(mean);
        self.passages.push(passage);
        self.neutral_counts.push(neutral_count);
    }

    /// Adds the scatter to the means of all passages, or of all rests.
    fn add_scatter(&mut self, motion: &Motion, surface: usize, is_passage: bool) -> Scatter {
        let pairs = self.means.iter_mut().zip(&self.passages);
        let own = pairs.filter(|(_, passage)| passage.is_some() == is_passage);
        let mut own: Vec<&mut Mean> = own.map(|(mean, _)| mean).collect();
        add_scatter(motion, surface, &mut own)
    }
}

/// A visit without a mean; `None` for a sweep that the surface did not follow far enough.
fn unmeasured_hold(
    motion: &Motion,
    holds: &Holds,
    surface: usize,
    visit: &StationVisit,
) -> Option<UnmeasuredHold> {
    let frames = visit.frames(holds, surface);
    let seen = |frame: &&usize| motion.frames[**frame].deflections[surface].is_some();
    (!frames.is_empty()).then(|| UnmeasuredHold {
        stick_pct: visit.stick_pct,
        time_s: visit.time_s,
        frames: frames.iter().filter(seen).count(),
    })
}

/// Averages a surface over every visit in which it was seen, and over neutral.
pub(super) fn surface_means(
    motion: &Motion,
    holds: &Holds,
    surface: usize,
    warnings: &mut Vec<ResponseWarning>,
) -> Result<SurfaceMeans, ResponseError> {
    let name = &motion.surfaces[surface].name;
    let mut all = VisitMeans::over_all(motion, holds, surface);
    if !all.unmeasured.is_empty() {
        warnings.push(ResponseWarning::HoldsNotMeasured {
            surface: name.clone(),
            holds: std::mem::take(&mut all.unmeasured),
            fewest: FEWEST_HOLD_FRAMES,
        });
    }
    if all.neutral_counts.iter().all(|count| *count == 0.0) {
        let span = mean_over(motion, surface, &holds.neutral_frames);
        let span = span.ok_or_else(|| ResponseError::NeutralNotMeasured {
            surface: name.clone(),
            frames: holds.neutral_frames.len(),
        })?;
        all.push(span, None, 1.0);
    }
    // Errors in motion differ from those at rest, so each kind has its own scatter.
    all.add_scatter(motion, surface, true);
    let scatter = all.add_scatter(motion, surface, false);
    let total: f64 = all.neutral_counts.iter().sum();
    let neutral_shares = all.neutral_counts.iter().map(|count| count / total);
    Ok(SurfaceMeans {
        neutral_shares: neutral_shares.collect(),
        visits: all.visits,
        means: all.means,
        passages: all.passages,
        scatter,
    })
}

/// Takes every visit's mean from neutral, for all surfaces jointly.
pub(super) fn hold_deflections(
    motion: &Motion,
    sweeps: &Sweeps,
    surfaces: &[SurfaceMeans],
) -> HoldDeflections {
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
    add_shared_rad2(&mut covariance, sweeps, &passage_rows(surfaces));
    let to_deg = deg_from_rad(1.0);
    let values = DMatrix::from_column_slice(values.len(), 1, values.as_slice());
    let half_way = from_neutral(surfaces, covariance).transpose();
    HoldDeflections {
        values_deg: from_neutral(surfaces, values).column(0) * to_deg,
        covariance_deg2: from_neutral(surfaces, half_way) * (to_deg * to_deg),
    }
}

/// Surface, passage and slope behind each mean that is a passage.
fn passage_rows(surfaces: &[SurfaceMeans]) -> Vec<Option<(usize, usize, f64)>> {
    let rows = surfaces.iter().enumerate().flat_map(|(surface, means)| {
        let pairs = means.means.iter().zip(&means.passages);
        pairs.map(move |(mean, passage)| Some((surface, (*passage)?, mean.slope_rad_per_pct)))
    });
    rows.collect()
}

/// Subtracts neutral from the rows of the means; one row for each visit remains. It consumes the means,
/// because their covariance is large in a clip with hundreds of holds. A matrix for a multiplication
/// would be as large.
fn from_neutral(surfaces: &[SurfaceMeans], of_means: DMatrix<f64>) -> DMatrix<f64> {
    let visits = surfaces.iter().map(|surface| surface.visits.len()).sum();
    let mut of_visits = DMatrix::zeros(visits, of_means.ncols());
    for (from, mut to) in of_means.column_iter().zip(of_visits.column_iter_mut()) {
        let (mut mean, mut visit) = (0, 0);
        for surface in surfaces {
            let of_surface = from.rows(mean, surface.means.len());
            let shares = surface.neutral_shares.iter();
            let neutral: f64 = of_surface
                .iter()
                .zip(shares)
                .map(|(of, share)| of * share)
                .sum();
            for of_mean in of_surface.iter().take(surface.visits.len()) {
                to[visit] = of_mean - neutral;
                visit += 1;
            }
            mean += surface.means.len();
        }
    }
    of_visits
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
pub(super) fn neutral_sum(surface: usize, means: &SurfaceMeans) -> WeightedSum {
    let shares = means.means.iter().zip(&means.neutral_shares);
    shares
        .filter(|(_, share)| **share > 0.0)
        .flat_map(|(mean, share)| {
            let term = move |&(frame, weight): &(usize, f64)| (frame, surface, share * weight);
            mean.weights.iter().map(term)
        })
        .collect()
}
