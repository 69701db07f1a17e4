//! Holds what the fit says against what was.

use hingewise::motion::{Motion, WeightedSum};

use super::world::Film;

/// A station's deflection from neutral: found minus true, and the standard deviation claimed.
#[derive(Debug, Clone, Copy)]
pub struct StationError {
    pub surface: usize,
    pub hold: usize,
    pub error_deg: f64,
    pub sd_deg: f64,
}

/// Mean over the measured frames of `frames`, minus that over the neutral ones.
pub fn from_neutral(film: &Film, motion: &Motion, surface: usize, frames: &[usize]) -> WeightedSum {
    let measured = |frames: &[usize], sign: f64| -> WeightedSum {
        let kept: Vec<usize> = frames
            .iter()
            .filter(|frame| motion.frames[**frame].deflections[surface].is_some())
            .copied()
            .collect();
        let weight = sign / kept.len() as f64;
        kept.into_iter()
            .map(|frame| (frame, surface, weight))
            .collect()
    };
    let neutral = film.truth.neutral_frames();
    let mut sum = measured(frames, 1.0);
    sum.extend(measured(&neutral, -1.0));
    sum
}

/// All measured stations of all surfaces, neutral ones left out.
pub fn station_errors(film: &Film, motion: &Motion) -> Vec<StationError> {
    let mut found = vec![];
    let mut sums = vec![];
    for (hold, held) in film.truth.holds.iter().enumerate() {
        for surface in 0..film.aircraft.surfaces.len() {
            let seen = |frame: &usize| motion.frames[*frame].deflections[surface].is_some();
            if held.stick_pct != 0.0 && held.frames.iter().any(seen) {
                sums.push(from_neutral(film, motion, surface, &held.frames));
                found.push((surface, hold));
            }
        }
    }
    errors_of(film, motion, &sums)
        .into_iter()
        .zip(found)
        .map(|((error_deg, sd_deg), (surface, hold))| StationError {
            surface,
            hold,
            error_deg,
            sd_deg,
        })
        .collect()
}

/// Error and claimed standard deviation of weighted sums, degrees.
pub fn errors_of(film: &Film, motion: &Motion, sums: &[WeightedSum]) -> Vec<(f64, f64)> {
    let (values, covariance) = motion.weighted_sums(sums);
    sums.iter()
        .enumerate()
        .map(|(row, sum)| {
            let truth: f64 = sum
                .iter()
                .map(|(frame, surface, weight)| {
                    weight * film.truth.frames[*frame].deflection_deg[*surface]
                })
                .sum();
            let sd = covariance[(row, row)].sqrt();
            (values[row].to_degrees() - truth, sd.to_degrees())
        })
        .collect()
}

/// Root mean square.
pub fn rms(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += value * value;
        count += 1.0;
    }
    f64::sqrt(sum / f64::max(count, 1.0))
}

/// How many errors are inside two of their standard deviations (k = 2).
pub fn inside(errors: impl IntoIterator<Item = (f64, f64)>) -> usize {
    let errors = errors.into_iter();
    errors.filter(|(error, sd)| error.abs() <= 2.0 * sd).count()
}

/// Share of the k = 2 intervals that hold the truth.
pub fn coverage(errors: &[StationError]) -> f64 {
    let inside = inside(errors.iter().map(|error| (error.error_deg, error.sd_deg)));
    inside as f64 / errors.len() as f64
}
