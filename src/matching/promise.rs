//! Bounds for a set of numbers that hold in 95 of 100 cases.

use super::constants::{AT_MOST, BEYOND_INTERVAL};
use crate::model_file::Settings;

use super::command::Command;
use super::draws::Draws;
use super::pair::Pair;
use super::places::Place;

/// Mismatch over the travel, draw by draw.
#[derive(Debug, Clone)]
pub(super) struct Outcomes {
    worst_deg: Vec<f64>,
    rms_deg: Vec<f64>,
    /// Largest |mismatch| where the follower can reach its target.
    pub worst_reachable_deg: Vec<f64>,
}

impl Outcomes {
    /// Mismatch at the places for numbers of the follower.
    pub fn of(pair: &Pair, draws: &Draws, places: &[Place], settings: &Settings) -> Self {
        let command = Command::new(pair.radio(), settings);
        let apart = |place: &Place| {
            pair.follower_deg(command.servo_pct(place.stick_pct)) - place.target_deg
        };
        let estimates_deg: Vec<f64> = places.iter().map(apart).collect();
        let off_deg = draws.off_deg(pair, places, settings);
        let mut outcomes = Self {
            worst_deg: Vec::with_capacity(off_deg.ncols()),
            rms_deg: Vec::with_capacity(off_deg.ncols()),
            worst_reachable_deg: Vec::with_capacity(off_deg.ncols()),
        };
        for draw in off_deg.column_iter() {
            let (mut worst, mut reachable, mut squares) = (0.0_f64, 0.0_f64, 0.0);
            for ((place, estimate), off) in places.iter().zip(&estimates_deg).zip(draw.iter()) {
                let apart_deg = (estimate + off).abs();
                worst = worst.max(apart_deg);
                if place.reachable {
                    reachable = reachable.max(apart_deg);
                }
                squares += apart_deg * apart_deg;
            }
            outcomes.worst_deg.push(worst);
            outcomes.worst_reachable_deg.push(reachable);
            outcomes
                .rms_deg
                .push((squares / places.len().max(1) as f64).sqrt());
        }
        outcomes
    }

    /// The largest |mismatch| is at most so much, deg.
    pub fn worst_at_most_deg(&self) -> f64 {
        quantile(&self.worst_deg, AT_MOST)
    }

    /// The root mean square is at most so much, deg.
    pub fn rms_at_most_deg(&self) -> f64 {
        quantile(&self.rms_deg, AT_MOST)
    }

    /// The interval in which the largest |mismatch| is in 95 of 100 cases, deg.
    pub fn worst_interval_deg(&self) -> [f64; 2] {
        [BEYOND_INTERVAL, 1.0 - BEYOND_INTERVAL].map(|share| quantile(&self.worst_deg, share))
    }
}

/// The value that a share of all values stay within.
pub(super) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = (share * sorted.len() as f64).ceil() as usize;
    let last = sorted.len().saturating_sub(1);
    sorted
        .get(rank.saturating_sub(1).min(last))
        .copied()
        .unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantile_is_the_value_that_the_share_stays_within() {
        let values: Vec<f64> = (1..=100).rev().map(f64::from).collect();
        assert_eq!(quantile(&values, 0.95), 95.0);
        assert_eq!(quantile(&values, 0.025), 3.0);
        assert_eq!(quantile(&[], 0.5), 0.0);
    }
}
