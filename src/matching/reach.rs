//! Ends that the follower cannot reach, and the largest common travel.

use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::model_file::Settings;

use super::command::Command;
use super::end_points::on_step;
use super::pair::{Pair, Place};
use super::score::Score;
use super::{MatchingError, improve};

/// An end at which the follower stays short of its reference whatever is entered.
///
/// Nothing beyond the measured commands is proposed, so this may be cured either by less travel
/// of the reference, or by filming again with more travel of the follower, where its servo and
/// linkage allow it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutOfReach {
    /// End of the travel.
    pub stick_pct: f64,
    /// The reference's stick there, where that is not the same: up is compared against up.
    #[serde(default)]
    pub reference_stick_pct: Option<f64>,
    /// What the reference reaches there, degrees from its neutral.
    pub reference_deg: f64,
    /// What the follower reaches at most, in the reference's sense, degrees from its neutral.
    pub follower_deg: f64,
    /// How much is missing.
    pub short_deg: Measured,
    /// The end point of the reference at this end with which both reach the same, percent.
    pub reference_end_point_pct: f64,
    /// The follower's numbers once all such end points of the reference are reduced.
    pub common_settings: Settings,
    /// Largest |mismatch| over the whole travel then, degrees.
    pub common_worst_deg: f64,
}

impl OutOfReach {
    /// The end of the reference that belongs to this end.
    pub fn reference_end_pct(&self) -> f64 {
        self.reference_stick_pct.unwrap_or(self.stick_pct)
    }
}

/// The ends that are out of reach, lower end first.
pub(super) fn find(pair: &Pair, places: &[Place]) -> Result<Vec<OutOfReach>, MatchingError> {
    let (Some(first), Some(last)) = (places.first(), places.last()) else {
        return Ok(Vec::new());
    };
    let short: Vec<(usize, &Place)> = [(0, first), (1, last)]
        .into_iter()
        .filter(|(_, place)| !place.reachable)
        .collect();
    if short.is_empty() {
        return Ok(Vec::new());
    }
    let mut reduced = pair.reference_active.clone();
    for &(side, place) in &short {
        reduced.end_points_pct[side] = common_end_point_pct(pair, side, place);
    }
    let common = pair.places(&reduced);
    let improved = improve(pair, &common)?;
    let common_worst_deg = Score::of(pair, &common, &improved.settings).worst_deg;
    let range = pair.command_range_pct();
    let reference = Command::new(pair.radio(), &pair.reference_active);
    Ok(short
        .into_iter()
        .map(|(side, place)| {
            let reach_deg = pair.follower_deg(range[side]);
            let reference_pct = reference.servo_pct(place.stick_pct);
            OutOfReach {
                stick_pct: place.stick_pct,
                reference_stick_pct: None,
                reference_deg: pair.signed(place.target_deg),
                follower_deg: pair.signed(reach_deg),
                short_deg: Measured::new(
                    (place.target_deg - reach_deg).abs(),
                    pair.sd_deg(reference_pct, range[side]),
                ),
                reference_end_point_pct: reduced.end_points_pct[side],
                common_settings: improved.settings.clone(),
                common_worst_deg,
            }
        })
        .collect())
}

/// The largest end point of the reference, in the radio's step, with which the follower keeps up.
fn common_end_point_pct(pair: &Pair, side: usize, place: &Place) -> f64 {
    let step = pair.radio().step_pct;
    let reach_deg = pair.follower_deg(pair.command_range_pct()[side]);
    let now = pair.reference_active.end_points_pct[side];
    let mut steps = (now / step).floor();
    while steps > 1.0 {
        let mut tried = pair.reference_active.clone();
        tried.end_points_pct[side] = on_step(steps, step);
        let servo = Command::new(pair.radio(), &tried).servo_pct(place.stick_pct);
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
