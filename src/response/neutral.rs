//! Places of all tags while the surfaces rest at neutral, for later clips of the same aircraft.

use super::Health;
use super::deflections::{SurfaceMeans, neutral_sum};
use crate::conventions::rad_from_deg;
use crate::measured::Measured;
use crate::motion::{Motion, TagsAtNeutral, WeightedSum};

/// Tags on the airframe and on the surfaces at neutral. How well the surfaces return to neutral is
/// part of the uncertainty, because each clip finds them where they came to rest.
pub(super) fn tags_at_neutral<'a>(
    motion: &Motion,
    means: &[SurfaceMeans],
    health: impl Iterator<Item = &'a Health>,
) -> Option<TagsAtNeutral> {
    let sums: Vec<WeightedSum> = means
        .iter()
        .enumerate()
        .map(|(surface, means)| neutral_sum(surface, means))
        .collect();
    let neutral_sd_rad: Vec<f64> = means
        .iter()
        .zip(health)
        .enumerate()
        .map(|(surface, (means, health))| {
            let neutral = means.means.iter().zip(&means.neutral_shares);
            let scatter_rad2: f64 = neutral
                .map(|(mean, share)| share * share * mean.scatter_rad2)
                .sum();
            let return_rad2 = return_variance_rad2(motion, surface, means, health.play_deg);
            (scatter_rad2 + return_rad2).sqrt()
        })
        .collect();
    motion.tags_at_neutral(&sums, &neutral_sd_rad)
}

/// Variance of the mean over the visits to neutral, from their scatter (JCGM 100:2008, 4.2.3).
///
/// A single visit shows no scatter: the surface may then rest anywhere within its play, with equal
/// probability (4.3.7).
fn return_variance_rad2(
    motion: &Motion,
    surface: usize,
    means: &SurfaceMeans,
    play_deg: Option<Measured>,
) -> f64 {
    let visits: Vec<(f64, f64)> = means
        .means
        .iter()
        .zip(&means.neutral_shares)
        .filter(|(_, share)| **share > 0.0)
        .map(|(mean, &share)| {
            let term = |&(frame, weight): &(usize, f64)| {
                let deflection = motion.frames[frame].deflections[surface].as_ref();
                deflection.map_or(0.0, |deflection| weight * deflection.angle_rad)
            };
            (share, mean.weights.iter().map(term).sum())
        })
        .collect();
    let count = visits.len() as f64;
    if visits.len() < 2 {
        let play_rad = play_deg.map_or(0.0, |play| rad_from_deg(play.value));
        return play_rad * play_rad / 12.0;
    }
    let middle: f64 = visits.iter().map(|(share, angle)| share * angle).sum();
    let spread = visits
        .iter()
        .map(|(share, angle)| share * (angle - middle).powi(2));
    let variance_rad2 = spread.sum::<f64>() * count / (count - 1.0);
    variance_rad2 * visits.iter().map(|(share, _)| share * share).sum::<f64>()
}
