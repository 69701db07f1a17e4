//! Sub-trims that may move the follower's neutral to the reference's, and the cost of levelling without a
//! level zero.

use super::command::Command;
use super::constants::{LEAST_TURN_DEG, STEPS_TRIED, TRIED_PCT};
use super::end_points::on_step;
use super::pair::Pair;
use super::places::Place;
use crate::model_file::Settings;
use crate::stick;

/// The numbers as found, and where a level zero says how the neutrals compare the same with every
/// sub-trim that may serve.
pub(super) fn candidates(pair: &Pair, places: &[Place]) -> Vec<Settings> {
    let found = &pair.follower_active;
    let mut tried = vec![found.clone()];
    let is_neutral = |place: &&Place| stick::is_neutral(place.stick_pct);
    let at_neutral = places.iter().find(is_neutral);
    let (Some(_), Some(neutral)) = (pair.neutral_deg(), at_neutral) else {
        return tried;
    };
    let radio = pair.radio();
    let moved_pct = pair.ideal_command_pct(neutral.target_deg) - pair.follower_zero_pct();
    let nearest = ((found.sub_trim_pct + moved_pct) / radio.step_pct).round() as i64;
    for multiple in nearest - STEPS_TRIED..=nearest + STEPS_TRIED {
        let sub_trim_pct = on_step(multiple as f64, radio.step_pct);
        if sub_trim_pct != found.sub_trim_pct && sub_trim_pct.abs() <= radio.limit_pct {
            tried.push(Settings {
                sub_trim_pct,
                ..found.clone()
            });
        }
    }
    tried
}

/// By how much the largest |mismatch| can grow for each degree by which sub-trim turns the neutral of a
/// follower that was matched from its own neutral; `None` where neutral hardly turns.
pub(super) fn levelling_deg_per_deg(
    pair: &Pair,
    places: &[Place],
    settings: &Settings,
) -> Option<f64> {
    let command = Command::new(pair.radio(), settings);
    let [least, most] = pair.command_range_pct();
    let neutral_pct = command.servo_pct(0.0);
    let cost = |by_pct: f64| {
        let turn =
            |servo_pct: f64| pair.follower_deg(servo_pct + by_pct) - pair.follower_deg(servo_pct);
        let neutral_deg = turn(neutral_pct);
        let apart_deg = places
            .iter()
            .map(|place| command.servo_pct(place.stick_pct))
            .filter(|servo_pct| (least..=most).contains(&(servo_pct + by_pct)))
            .map(|servo_pct| (turn(servo_pct) - neutral_deg).abs())
            .fold(0.0, f64::max);
        (neutral_deg.abs() >= LEAST_TURN_DEG).then(|| apart_deg / neutral_deg.abs())
    };
    let costs = [cost(-TRIED_PCT), cost(TRIED_PCT)];
    costs.into_iter().flatten().max_by(f64::total_cmp)
}
