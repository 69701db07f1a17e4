//! The end points that serve best by themselves.

use crate::model_file::Settings;

use super::command::Command;
use super::pair::{Pair, Place};
use super::score::{Score, is_allowed};

/// The best end points, everything else as in `base`: every step of each side is tried, so the
/// result is the optimum. Sides do not depend on each other.
///
/// A change that moves the end by less than the uncertainty there is not proposed.
pub(super) fn best(pair: &Pair, places: &[Place], base: &Settings) -> Settings {
    let mut settings = base.clone();
    for side in [0, 1] {
        let own: Vec<Place> = side_of(pair, places, base, side);
        let Some(end) = (if side == 0 { own.first() } else { own.last() }).copied() else {
            continue;
        };
        let deg = |settings: &Settings| {
            pair.follower_deg(Command::new(pair.radio(), settings).servo_pct(end.stick_pct))
        };
        let kept_deg = deg(base);
        let mut best = Score::of(pair, &own, &settings);
        for end_point in candidates(pair) {
            let mut tried = settings.clone();
            tried.end_points_pct[side] = end_point;
            let moves = (deg(&tried) - kept_deg).abs() >= end.u_deg;
            if !moves || !is_allowed(pair, &own, &tried) {
                continue;
            }
            let score = Score::of(pair, &own, &tried);
            if reachable_all_the_way(&own) && score.beats(&best)
                || !reachable_all_the_way(&own) && score.rms_deg < best.rms_deg
            {
                best = score;
                settings = tried;
            }
        }
    }
    settings
}

/// Places whose commands the end point of a side scales.
fn side_of(pair: &Pair, places: &[Place], base: &Settings, side: usize) -> Vec<Place> {
    let command = Command::new(pair.radio(), base);
    places
        .iter()
        .copied()
        .filter(|place| usize::from(command.curve_pct(place.stick_pct) > 0.0) == side)
        .collect()
}

/// Where an end is out of reach no end point is exact anywhere, so the root mean square decides.
fn reachable_all_the_way(places: &[Place]) -> bool {
    places.iter().all(|place| place.reachable)
}

/// End points in the radio's step, from 0 up to its limit.
fn candidates(pair: &Pair) -> impl Iterator<Item = f64> + use<> {
    let step = pair.radio().step_pct;
    let count = (pair.radio().limit_pct / step).floor() as usize;
    (1..=count).map(move |i| on_step(i as f64, step))
}

/// A multiple of the step, without the noise of binary fractions.
pub(super) fn on_step(multiple: f64, step_pct: f64) -> f64 {
    (multiple * step_pct * 1e6).round() / 1e6
}
