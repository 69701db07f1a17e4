//! How good a set of numbers is over the whole travel, and how good it is to be.

use crate::model_file::Settings;

use super::command::Command;
use super::constants::WORST_QUANTUM_DEG;
use super::pair::Pair;
use super::places::Place;

/// Commands may pass the measured range by this much, %: rounding of the arithmetic only.
pub(super) const RANGE_SLACK_PCT: f64 = 1e-9;

/// Mismatch over the whole travel for one set of numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Score {
    /// Largest |mismatch| over the whole travel, deg.
    pub worst_deg: f64,
    /// Stick position of the largest |mismatch|.
    pub worst_at_pct: f64,
    /// Largest |mismatch| where the follower can reach its target, deg.
    pub worst_reachable_deg: f64,
    /// Root mean square over the whole travel, deg.
    pub rms_deg: f64,
}

impl Score {
    /// Worst mismatches nearer than this are the same, deg.
    pub const SAME_DEG: f64 = WORST_QUANTUM_DEG;

    /// The score of `settings`.
    pub fn of(pair: &Pair, places: &[Place], settings: &Settings) -> Self {
        let command = Command::new(pair.radio(), settings);
        let mut score = Self {
            worst_deg: 0.0,
            worst_at_pct: 0.0,
            worst_reachable_deg: 0.0,
            rms_deg: 0.0,
        };
        for place in places {
            let reached = pair.follower_deg(command.servo_pct(place.stick_pct));
            let apart = (reached - place.target_deg).abs();
            if apart > score.worst_deg {
                score.worst_deg = apart;
                score.worst_at_pct = place.stick_pct;
            }
            if place.reachable {
                score.worst_reachable_deg = score.worst_reachable_deg.max(apart);
            }
            score.rms_deg += apart * apart;
        }
        score.rms_deg = (score.rms_deg / places.len().max(1) as f64).sqrt();
        score
    }

    /// Whether this is better: first the worst that can be cured, then the root mean square.
    pub fn beats(&self, other: &Self) -> bool {
        let grade = |score: &Self| (score.worst_reachable_deg / WORST_QUANTUM_DEG).ceil();
        match grade(self).total_cmp(&grade(other)) {
            std::cmp::Ordering::Less => true,
            std::cmp::Ordering::Equal => self.rms_deg < other.rms_deg,
            std::cmp::Ordering::Greater => false,
        }
    }
}

/// The aim of the search for a curve.
#[derive(Debug, Clone, Copy)]
pub(super) struct Aim {
    /// Least gain of each changed number in the sum of squares, deg².
    pub change_deg2: f64,
    /// The worst mismatch that is allowed if less is not possible; `None`: the least.
    pub allowed_deg: Option<f64>,
}

impl Aim {
    /// The least worst mismatch.
    pub fn least(change_deg2: f64) -> Self {
        Self {
            change_deg2,
            allowed_deg: None,
        }
    }

    /// The least squares with a worst mismatch that is allowed.
    pub fn within(allowed_deg: f64, change_deg2: f64) -> Self {
        Self {
            change_deg2,
            allowed_deg: Some(allowed_deg),
        }
    }
}

/// Whether the commands rise with the stick and stay within the measured range.
pub(super) fn is_allowed(pair: &Pair, places: &[Place], settings: &Settings) -> bool {
    let command = Command::new(pair.radio(), settings);
    let [least, most] = pair.command_range_pct();
    let mut before = f64::NEG_INFINITY;
    places.iter().all(|place| {
        let servo = command.servo_pct(place.stick_pct);
        let curve = command.curve_pct(place.stick_pct);
        let rises = curve >= before - RANGE_SLACK_PCT;
        before = curve;
        rises && servo >= least - RANGE_SLACK_PCT && servo <= most + RANGE_SLACK_PCT
    })
}
