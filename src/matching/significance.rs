//! Whether there is anything to cure, and whether a set of numbers cures it: one test for the whole of
//! the travel and one for the whole set of changes.

use super::command::Command;
use super::constants::{CONFIDENCE, NO_DOUBT_DEG, WORTH};
use super::draws::Draws;
use super::pair::Pair;
use super::places::Place;
use super::promise::{Outcomes, quantile};

/// Whether the sides differ significantly anywhere.
///
/// The largest ratio of mismatch to standard deviation over the travel is held against what the
/// largest ratio is for sides that are alike, which counts that there are many places to choose from.
pub(super) fn differ(pair: &Pair, draws: &Draws, places: &[Place]) -> bool {
    let command = Command::new(pair.radio(), &pair.follower_active);
    let off_deg = draws.off_deg(pair, places, &pair.follower_active);
    let mut largest = 0.0_f64;
    let mut by_chance = vec![0.0_f64; off_deg.ncols()];
    for (place, off_deg) in places.iter().zip(off_deg.row_iter()) {
        let reached_deg = pair.follower_deg(command.servo_pct(place.stick_pct));
        let mismatch_deg = reached_deg - place.target_deg;
        let variance = off_deg.iter().map(|off| off * off).sum::<f64>() / off_deg.len() as f64;
        let sd_deg = variance.sqrt();
        if sd_deg < NO_DOUBT_DEG {
            largest = largest.max(if mismatch_deg.abs() > NO_DOUBT_DEG {
                f64::INFINITY
            } else {
                0.0
            });
            continue;
        }
        largest = largest.max(mismatch_deg.abs() / sd_deg);
        for (ratio, off) in by_chance.iter_mut().zip(off_deg.iter()) {
            *ratio = ratio.max(off.abs() / sd_deg);
        }
    }
    largest > quantile(&by_chance, CONFIDENCE)
}

/// Whether a set of changes leaves significantly less than no change.
pub(super) fn is_worth(before: &Outcomes, after: &Outcomes) -> bool {
    let pairs = before
        .worst_reachable_deg
        .iter()
        .zip(&after.worst_reachable_deg);
    let better = pairs.filter(|(before, after)| after < before).count();
    better as f64 >= WORTH * before.worst_reachable_deg.len() as f64
}
