//! Knots: a response of straight pieces, fitted to single frames of a moving surface.

use super::play::{HALF_PLAY_PRIOR_DEG, PlaySide};
use crate::solver::LinearSums;
use crate::statistics::extremes;

/// Way between the knots of a response, pct.
const KNOT_WAY_PCT: f64 = 12.5;

/// Standard deviation of the bend at a knot, deg: an arm, rod and horn bend by tenths of a degree
/// over two such ways, a surface that stops by its whole slope.
const BEND_SD_DEG: f64 = 1.0;

/// A frame of a moving surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MovingPoint {
    pub command_pct: f64,
    /// Side of the play, −1 to 1.
    side: f64,
    pub deflection_deg: f64,
    sd_deg: f64,
}

/// Collects the frames of a surface in order, also those in which only the command is known.
#[derive(Debug, Clone, Default)]
pub(crate) struct MovingPoints {
    side: PlaySide,
    points: Vec<MovingPoint>,
}

impl MovingPoints {
    /// The next frame; the deflection with its standard deviation where it was measured.
    pub fn add(&mut self, command_pct: f64, measured: Option<(f64, f64)>) {
        // Where it was not measured, the surface still moves.
        let side = self.side.after(command_pct);
        self.points
            .extend(measured.map(|(deflection_deg, sd_deg)| MovingPoint {
                command_pct,
                side,
                deflection_deg,
                sd_deg,
            }));
    }

    /// Residual of each measured frame about the best response and play; `None` if the command never moves.
    pub fn residuals_deg(&self) -> Option<Vec<f64>> {
        let knots = Knots::over(&self.points)?;
        let half_play = knots.count;
        let terms = |point: &MovingPoint| {
            let [before, after] = knots.beside(point.command_pct);
            [before, after, (half_play, point.side)]
        };
        let mut sums = LinearSums::new(knots.count + 1);
        for knot in 1..knots.count - 1 {
            let bend = [(knot - 1, 1.0), (knot, -2.0), (knot + 1, 1.0)];
            sums.add(&bend, 0.0, BEND_SD_DEG.powi(-2));
        }
        sums.add(&[(half_play, 1.0)], 0.0, HALF_PLAY_PRIOR_DEG.powi(-2));
        for point in &self.points {
            sums.add(&terms(point), point.deflection_deg, point.sd_deg.powi(-2));
        }
        let unknowns = sums.solve()?;
        let residual_deg = |point: &MovingPoint| {
            let terms = terms(point).map(|(unknown, by)| by * unknowns[unknown]);
            point.deflection_deg - terms.iter().sum::<f64>()
        };
        Some(self.points.iter().map(residual_deg).collect())
    }
}

/// Knots at equal ways.
struct Knots {
    lowest_pct: f64,
    step_pct: f64,
    count: usize,
}

impl Knots {
    /// Over the whole way of the command; `None` if there is none.
    fn over(points: &[MovingPoint]) -> Option<Self> {
        let commands = points.iter().map(|point| point.command_pct);
        let [lowest_pct, highest_pct] = extremes(commands);
        let way_pct = highest_pct - lowest_pct;
        let steps = (way_pct / KNOT_WAY_PCT).ceil();
        (way_pct > 0.0).then_some(Self {
            lowest_pct,
            step_pct: way_pct / steps,
            count: steps as usize + 1,
        })
    }

    /// The two knots beside a command, and the share of each.
    fn beside(&self, command_pct: f64) -> [(usize, f64); 2] {
        let last = (self.count - 1) as f64;
        let place = ((command_pct - self.lowest_pct) / self.step_pct).clamp(0.0, last);
        let knot = (place as usize).min(self.count - 2);
        let share = place - knot as f64;
        [(knot, 1.0 - share), (knot + 1, share)]
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn play_and_a_straight_response_leave_no_residual() {
        let mut points = MovingPoints::default();
        let commands = (0..100).chain((0..100).rev()).map(f64::from);
        let mut side = PlaySide::default();
        for command_pct in commands {
            let deflection_deg = 0.25 * command_pct + 0.2 * side.after(command_pct);
            let measured = command_pct != 40.0;
            points.add(command_pct, measured.then_some((deflection_deg, 0.01)));
        }
        let residuals_deg = points.residuals_deg().unwrap();
        assert_eq!(residuals_deg.len(), 198);
        // The prior of the play holds by a ten-thousandth of the frames' weight.
        assert!(residuals_deg.iter().all(|residual| residual.abs() < 1e-5));
    }

    #[test]
    fn a_command_at_rest_has_no_response() {
        let mut points = MovingPoints::default();
        points.add(10.0, Some((2.0, 0.01)));
        points.add(10.0, Some((2.1, 0.01)));
        assert_eq!(points.residuals_deg(), None);
    }
}
