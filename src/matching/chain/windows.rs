//! Search windows: the values of each point that could belong to the best curve.

use super::{Chain, SAME_PCT};
use crate::matching::constants::LEAST_SHARE;
use crate::matching::end_points::on_step;
use crate::matching::score::RANGE_SLACK_PCT;

impl Chain<'_> {
    /// Values within some steps of the unrounded ones.
    pub(super) fn windows_about_ideal(&self, steps: f64) -> Vec<Vec<f64>> {
        let by_pct = steps * self.pair.radio().step_pct;
        (0..self.points_pct.len())
            .map(|point| {
                let ideal = self.addition_pct(point, self.at_points[point].target_deg);
                let by_pct = by_pct / self.share_measured(point);
                self.values(point, ideal - by_pct, ideal + by_pct)
            })
            .collect()
    }

    /// All values with which a point is no farther off than `worst_deg`: no better curve has
    /// others.
    pub(super) fn windows_within(&self, worst_deg: f64) -> Vec<Vec<f64>> {
        let worst_deg = self.aim.allowed_deg.unwrap_or(0.0).max(worst_deg);
        let step = self.pair.radio().step_pct;
        (0..self.points_pct.len())
            .map(|point| {
                let target = self.at_points[point].target_deg;
                let low = self.addition_pct(point, target - worst_deg);
                let high = self.addition_pct(point, target + worst_deg);
                // The last measured place moves less than a point beyond it.
                let beyond = (high - low) * (1.0 / self.share_measured(point) - 1.0);
                self.values(point, low - step - beyond, high + step + beyond)
            })
            .collect()
    }

    /// Share of the piece up to a point that is measured: 1 for points within the travel.
    fn share_measured(&self, point: usize) -> f64 {
        let at = self.points_pct[point];
        let [first, last] = self.span_pct;
        let neighbour = |index: Option<usize>| index.and_then(|i| self.points_pct.get(i)).copied();
        let share = if at > last + SAME_PCT {
            neighbour(point.checked_sub(1)).map(|before| (last - before) / (at - before))
        } else if at < first - SAME_PCT {
            neighbour(Some(point + 1)).map(|after| (after - first) / (after - at))
        } else {
            None
        };
        share.unwrap_or(1.0).clamp(LEAST_SHARE, 1.0)
    }

    /// The value entered now, and every value on the radio's step between two.
    fn values(&self, point: usize, low: f64, high: f64) -> Vec<f64> {
        let radio = self.pair.radio();
        let (step, now, at) = (radio.step_pct, self.now_pct[point], self.points_pct[point]);
        let mut values = vec![now];
        if at.abs() < SAME_PCT {
            return values;
        }
        let first = (radio.typed_pct(at, low) / step).ceil() as i64;
        let last = (radio.typed_pct(at, high) / step).floor() as i64;
        for multiple in first..=last {
            let value = radio.added_pct(at, on_step(multiple as f64, step));
            let curve = at + value;
            let servo = self.bare.servo_for_curve_pct(curve);
            let is_allowed = curve.abs() <= radio.curve_limit_pct + RANGE_SLACK_PCT
                && (self.is_within(servo) || !self.is_measured(point));
            if is_allowed && (value - now).abs() > SAME_PCT {
                values.push(value);
            }
        }
        values.sort_by(f64::total_cmp);
        values
    }

    /// Windows cut to the values next to a known solution, the present one always kept.
    pub(super) fn cut(&self, windows: &[Vec<f64>], about: &[f64], most: usize) -> Vec<Vec<f64>> {
        windows
            .iter()
            .zip(about)
            .zip(&self.now_pct)
            .map(|((window, about), now)| {
                let mut kept = window.clone();
                kept.sort_by(|a, b| {
                    let rank = |value: f64| {
                        if (value - now).abs() < SAME_PCT {
                            -1.0
                        } else {
                            (value - about).abs()
                        }
                    };
                    rank(*a).total_cmp(&rank(*b)).then(a.total_cmp(b))
                });
                kept.truncate(most);
                kept.sort_by(f64::total_cmp);
                kept
            })
            .collect()
    }
}
