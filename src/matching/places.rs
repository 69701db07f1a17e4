//! Places of the common travel at which both sides of a pair are compared.

use crate::conventions::COVERAGE_FACTOR;
use crate::model_file::Settings;
use crate::stick;

use super::constants::GRID_PCT;
use super::curve::ResponseCurve;
use super::pair::Pair;

/// A place of the common travel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Input of the follower's numbers: its stick, if no mix acts before them.
    pub stick_pct: f64,
    /// Command of the reference's servo there.
    pub reference_pct: f64,
    /// The follower's target, deg from its neutral, counted so that it rises with its servo's command.
    pub target_deg: f64,
    /// Whether the follower reaches the target, within the uncertainty or half a step.
    pub reachable: bool,
}

impl Pair {
    /// The places at which the sides are compared, with the reference's numbers as given.
    pub fn places(&self, reference_settings: &Settings) -> Vec<Place> {
        let command = self.reference_command(reference_settings);
        let [least, most] = self.command_range_pct();
        let reach_deg = [self.follower_deg(least), self.follower_deg(most)];
        let half_step_pct = 0.5 * self.radio().step_pct;
        let half_step_deg = [
            self.follower_deg(least + half_step_pct) - reach_deg[0],
            reach_deg[1] - self.follower_deg(most - half_step_pct),
        ];
        self.grid_pct()
            .into_iter()
            .map(|stick_pct| {
                let reference_pct = command.servo_pct(stick_pct);
                let target_deg = self.reference_deg(reference_pct);
                let ideal_pct = self.ideal_command_pct(target_deg);
                let u_deg = COVERAGE_FACTOR * self.sd_deg(reference_pct, ideal_pct);
                // A shortfall below half a step is lost in the rounding.
                let short_deg = (reach_deg[0] - target_deg - half_step_deg[0].max(u_deg))
                    .max(target_deg - reach_deg[1] - half_step_deg[1].max(u_deg));
                Place {
                    stick_pct,
                    reference_pct,
                    target_deg,
                    reachable: short_deg <= 0.0,
                }
            })
            .collect()
    }

    /// The command at which the follower is nearest to a target, by bisection.
    pub fn ideal_command_pct(&self, target_deg: f64) -> f64 {
        let [mut low, mut high] = self.command_range_pct();
        // 60 halvings of 200 % end below the spacing of doubles.
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.follower_deg(middle) < target_deg {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// Rising stick positions: an even grid, the curve's points, the stations.
    fn grid_pct(&self) -> Vec<f64> {
        let [first, last] = self.travel_pct;
        let count = ((last - first) / GRID_PCT).ceil() as usize;
        let even = (0..=count).map(|i| first + (last - first) * i as f64 / count as f64);
        let points = self.radio().curve_points_pct.iter().flatten().copied();
        let stations = self.stations_pct();
        let grid = even
            .chain(points)
            .chain(stations)
            .chain([0.0])
            .filter(|stick| (first..=last).contains(stick));
        stick::distinct_pct(grid)
    }

    /// Positions at which both sides were measured, rising.
    pub fn stations_pct(&self) -> Vec<f64> {
        let sticks = |side: &ResponseCurve| {
            let visits = side.visits();
            let used = visits.used.iter().map(|&visit| visits.stick_pct[visit]);
            used.collect::<Vec<f64>>()
        };
        let follower = sticks(&self.follower);
        let shared = sticks(&self.reference).into_iter();
        let is_shared = |at: &f64| follower.iter().any(|other| stick::is_same(*other, *at));
        stick::distinct_pct(shared.filter(is_shared))
    }
}
