//! End points: those that serve best by themselves, and those that a curve may be laid on.

use crate::model_file::Settings;

use super::command::Command;
use super::pair::Pair;
use super::places::Place;
use super::score::{Score, is_allowed};

/// Most end points of one side that a curve is tried on.
const MOST_TRIED: usize = 12;

/// The best end points, everything else as in `base`: every step of each side is tried, so the
/// result is the optimum. Sides do not depend on each other.
pub(super) fn best(pair: &Pair, places: &[Place], base: &Settings) -> Settings {
    let mut settings = base.clone();
    for side in [0, 1] {
        let own = side_of(pair, places, base, side);
        if own.is_empty() {
            continue;
        }
        let mut best = Score::of(pair, &own, &settings);
        for end_point in steps(pair, [0.0, pair.radio().limit_pct]) {
            let tried = with_end_point(&settings, side, end_point);
            if !is_allowed(pair, &own, &tried) {
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

/// End points of a side that a curve may be laid on: the one entered, the one that serves best by
/// itself, and the steps from the least on with which the curve's output reaches the end.
pub(super) fn candidates(
    pair: &Pair,
    places: &[Place],
    base: &Settings,
    alone: &Settings,
    side: usize,
) -> Vec<f64> {
    let own = side_of(pair, places, base, side);
    let Some(end) = (if side == 0 { own.first() } else { own.last() }) else {
        return vec![base.end_points_pct[side]];
    };
    let radio = pair.radio();
    let ideal_pct = (pair.ideal_command_pct(end.target_deg) - base.sub_trim_pct).abs();
    let most_output_pct = end
        .stick_pct
        .abs()
        .max(radio.step_pct)
        .min(radio.curve_limit_pct);
    let least = 100.0 * ideal_pct / most_output_pct;
    let mut tried = vec![base.end_points_pct[side], alone.end_points_pct[side]];
    let from = (least - radio.step_pct).max(0.0);
    tried.extend(steps(pair, [from, radio.limit_pct]).take(MOST_TRIED));
    tried.retain(|end_point| {
        *end_point == base.end_points_pct[side]
            || is_allowed(pair, &own, &with_end_point(base, side, *end_point))
    });
    tried.sort_by(f64::total_cmp);
    tried.dedup();
    tried
}

/// The same numbers with another end point.
pub(super) fn with_end_point(base: &Settings, side: usize, end_point_pct: f64) -> Settings {
    let mut settings = base.clone();
    settings.end_points_pct[side] = end_point_pct;
    settings
}

/// Places whose commands the end point of a side scales.
pub(super) fn side_of(pair: &Pair, places: &[Place], base: &Settings, side: usize) -> Vec<Place> {
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

/// End points in the radio's step above 0, between two.
fn steps(pair: &Pair, [from, to]: [f64; 2]) -> impl Iterator<Item = f64> + use<> {
    let step = pair.radio().step_pct;
    let first = (from / step).ceil().max(1.0) as usize;
    let last = (to / step).floor() as usize;
    (first..=last).map(move |i| on_step(i as f64, step))
}

/// A multiple of the step, without the noise of binary fractions.
pub(super) fn on_step(multiple: f64, step_pct: f64) -> f64 {
    (multiple * step_pct * 1e6).round() / 1e6
}
