//! Ends that the follower cannot reach, and the largest common travel.

use super::constants::{FARTHEST, LAST_PART_PCT};
use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::model_file::Settings;

use super::at_stations;
use super::correction::{StageGain, StationMismatch};
use super::draws::Draws;
use super::end_points::on_step;
use super::error::MatchingError;
use super::pair::Pair;
use super::places::Place;
use super::stages::improve;

/// An end at which the follower stays short of its reference whatever is entered.
///
/// Nothing beyond the measured commands is proposed, so this may be cured either by less travel
/// of the reference, or by filming again with more travel of the follower, where its servo and
/// linkage allow it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutOfReach {
    /// End of the travel, by the follower's stick.
    pub stick_pct: f64,
    /// The reference's stick there, where that is not the same: up is compared with up.
    #[serde(default)]
    pub reference_stick_pct: Option<f64>,
    /// Deflection that the reference reaches there, degrees from its neutral.
    pub reference_deg: f64,
    /// Largest deflection of the follower, in the reference's sense, degrees from its neutral; with a
    /// level zero from that of the reference.
    pub follower_deg: f64,
    /// How much is missing.
    pub short_deg: Measured,
    /// About the end point of the follower at this end with which it would reach the reference, where
    /// nothing binds, percent: extrapolated, and so only good for another film.
    #[serde(default)]
    pub follower_end_point_pct: Option<f64>,
    /// The end point of the reference at this end with which both reach the same, percent.
    pub reference_end_point_pct: f64,
    /// The follower's numbers once all such end points of the reference are reduced.
    pub common_settings: Settings,
    /// Largest |mismatch| over the measured travel then: at most so much in 95 of 100 cases, degrees;
    /// a best estimate in files of earlier programs.
    pub common_worst_deg: f64,
    /// Root mean square then, likewise.
    #[serde(default)]
    pub common_rms_deg: Option<f64>,
    /// Predicted mismatch by station then, by the reference's stick; missing in files of earlier programs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub common_stations: Vec<StationMismatch>,
    /// What each stage of the follower's numbers leaves then, from the reference's end points reduced
    /// and nothing else entered; missing in files of earlier programs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub common_stages: Vec<StageGain>,
}

impl OutOfReach {
    /// The end of the reference that belongs to this end.
    pub fn reference_end_pct(&self) -> f64 {
        self.reference_stick_pct.unwrap_or(self.stick_pct)
    }
}

/// The ends that are out of reach, lower end first; 0 is the lower end of the follower's commands.
pub(super) fn short_ends(places: &[Place]) -> Vec<(usize, &Place)> {
    let ends = [(0, places.first()), (1, places.last())];
    ends.into_iter()
        .filter_map(|(side, place)| place.map(|place| (side, place)))
        .filter(|(_, place)| !place.reachable)
        .collect()
}

/// Help for the ends that are out of reach, lower end first.
pub(super) fn find(
    pair: &Pair,
    draws: &Draws,
    places: &[Place],
    tolerance_deg: f64,
) -> Result<Vec<OutOfReach>, MatchingError> {
    let short = short_ends(places);
    if short.is_empty() {
        return Ok(Vec::new());
    }
    let mut reduced = pair.reference_active.clone();
    for &(side, place) in &short {
        let own = reference_side(pair, side);
        reduced.end_points_pct[own] = common_end_point_pct(pair, side, place);
    }
    let common = improve(pair, draws, &pair.places(&reduced), tolerance_deg)?;
    let range = pair.command_range_pct();
    let common_stations = at_stations(pair, &reduced, &common.settings);
    // With a level zero places count from the follower's neutral, and a report from the reference's.
    let above_deg = pair.neutral_deg().map_or(0.0, |neutral| neutral.value);
    Ok(short
        .into_iter()
        .map(|(side, place)| {
            let reach_deg = pair.follower_deg(range[side]);
            OutOfReach {
                stick_pct: place.stick_pct,
                reference_stick_pct: None,
                reference_deg: pair.signed(place.target_deg) + above_deg,
                follower_deg: pair.signed(reach_deg) + above_deg,
                short_deg: Measured::new(
                    (place.target_deg - reach_deg).abs(),
                    pair.sd_deg(place.reference_pct, range[side]),
                ),
                follower_end_point_pct: carried_on_end_point_pct(pair, side, place),
                reference_end_point_pct: reduced.end_points_pct[reference_side(pair, side)],
                common_settings: common.settings.clone(),
                common_worst_deg: common.outcomes.worst_at_most_deg(),
                common_rms_deg: Some(common.outcomes.rms_at_most_deg()),
                common_stations: common_stations.clone(),
                common_stages: common.stages.clone(),
            }
        })
        .collect())
}

/// The end of the reference's own numbers that acts at an end of the follower's.
fn reference_side(pair: &Pair, side: usize) -> usize {
    if pair.reference_sign() < 0.0 {
        1 - side
    } else {
        side
    }
}

/// The largest end point of the reference, in the radio's step, with which the follower keeps up.
fn common_end_point_pct(pair: &Pair, side: usize, place: &Place) -> f64 {
    let step = pair.radio().step_pct;
    let reach_deg = pair.follower_deg(pair.command_range_pct()[side]);
    let own = reference_side(pair, side);
    let now = pair.reference_active.end_points_pct[own];
    let mut steps = (now / step).floor();
    while steps > 1.0 {
        let mut tried = pair.reference_active.clone();
        tried.end_points_pct[own] = on_step(steps, step);
        let servo = pair.reference_command(&tried).servo_pct(place.stick_pct);
        let reached = pair.reference_deg(servo);
        let within = if side == 0 {
            reached >= reach_deg
        } else {
            reached <= reach_deg
        };
        if within {
            break;
        }
        steps -= 1.0;
    }
    on_step(steps, step)
}

/// The end point with which the follower would reach a place, its travel carried on with the slope and
/// the bend that it has at its end; `None` where that is too far to be carried on.
fn carried_on_end_point_pct(pair: &Pair, side: usize, place: &Place) -> Option<f64> {
    let sign = if side == 0 { -1.0 } else { 1.0 };
    let end_pct = pair.command_range_pct()[side];
    let missing_deg = sign * (place.target_deg - pair.follower_deg(end_pct));
    let gained_deg = |back_pct: f64| {
        sign * (pair.follower_deg(end_pct) - pair.follower_deg(end_pct - sign * back_pct))
    };
    let (half, whole) = (gained_deg(0.5 * LAST_PART_PCT), gained_deg(LAST_PART_PCT));
    // The parabola through the last part: slope at its end, and bend.
    let slope = (4.0 * half - whole) / LAST_PART_PCT;
    let bend = 2.0 * (2.0 * half - whole) / LAST_PART_PCT.powi(2);
    let reached_deg = |by_pct: f64| slope * by_pct + bend * by_pct * by_pct;
    let step = pair.radio().step_pct;
    let now = pair.follower_active.end_points_pct[side];
    let farthest = (FARTHEST * now).min(pair.radio().limit_pct);
    let per_end_point = (end_pct - pair.follower_active.sub_trim_pct).abs() / now;
    let first = (now / step).floor() as i64 + 1;
    let last = (farthest / step).floor() as i64;
    (first..=last)
        .map(|multiple| on_step(multiple as f64, step))
        .find(|end_point| reached_deg((end_point - now) * per_end_point) >= missing_deg)
}
