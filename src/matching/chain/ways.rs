//! The best way through the graph: one edge for each curve over one piece, with the mismatch it leaves.

use super::{Chain, Found, SAME_PCT};
use crate::matching::layers::{Edge, best_path};
use crate::matching::pchip;
use crate::matching::places::Place;
use crate::matching::score::RANGE_SLACK_PCT;
use crate::matching::states::States;
use crate::model_file::{CurveShows, Joins};

impl Chain<'_> {
    /// The best curve with each point's value from its window.
    pub(super) fn solve(&self, windows: &[Vec<f64>]) -> Option<Found> {
        let states = match self.pair.radio().joins {
            Joins::Straight => States::single(windows),
            Joins::Smooth => States::with_neighbours(windows),
        };
        let edges: Vec<Vec<Edge>> = (0..self.pieces.len())
            .map(|piece| self.edges(piece, windows, &states))
            .collect();
        let path = best_path(&states.sizes(), &edges, self.aim.allowed_deg.unwrap_or(0.0))?;
        let added_pct = states
            .values(&path.states)
            .iter()
            .zip(windows)
            .map(|(&value, window)| window[value])
            .collect();
        Some(Found {
            added_pct,
            worst_deg: path.worst,
            squares_deg2: path.squares,
        })
    }

    /// All ways over one piece.
    fn edges(&self, piece: usize, windows: &[Vec<f64>], states: &States) -> Vec<Edge> {
        let value = |offset: usize, index: usize| {
            (piece + offset)
                .checked_sub(2)
                .and_then(|point| windows.get(point))
                .map_or(f64::NAN, |window| window[index])
        };
        let mut edges = Vec::new();
        for from in 0..states.layers[piece].len() {
            for (to, quad) in states.next(piece, from) {
                let added = std::array::from_fn(|offset| value(offset, quad[offset]));
                if let Some((worst, squares)) = self.cost(piece, added) {
                    edges.push(Edge {
                        from,
                        to,
                        worst,
                        squares: squares + self.change_deg2(piece, added[2]),
                    });
                }
            }
        }
        edges
    }

    /// Least gain that justifies a change of the point after a piece, deg².
    fn change_deg2(&self, piece: usize, added_pct: f64) -> f64 {
        match self.now_pct.get(piece) {
            Some(now) if (now - added_pct).abs() > SAME_PCT => self.aim.change_deg2,
            _ => 0.0,
        }
    }

    /// Worst mismatch and sum of squares over one piece, for the additions of the points before,
    /// left, right and after; `None` if the piece falls or leaves the measured range.
    fn cost(&self, piece: usize, added: [f64; 4]) -> Option<(f64, f64)> {
        let count = self.points_pct.len();
        if piece == 0 {
            return self.piece_cost(piece, |_| added[2]);
        }
        if piece == count {
            return self.piece_cost(piece, |_| added[1]);
        }
        let at = |offset: usize| {
            (piece + offset)
                .checked_sub(2)
                .and_then(|point| self.points_pct.get(point))
                .copied()
                .unwrap_or(f64::NAN)
        };
        let x = [at(0), at(1), at(2), at(3)];
        if x[1] + added[1] > x[2] + added[2] + RANGE_SLACK_PCT {
            return None;
        }
        let radio = self.pair.radio();
        let outer = (piece > 1, piece + 1 < count);
        match (radio.joins, radio.curve_shows) {
            (Joins::Straight, _) => {
                let slope = (added[2] - added[1]) / (x[2] - x[1]);
                self.piece_cost(piece, |input| added[1] + slope * (input - x[1]))
            }
            (Joins::Smooth, CurveShows::Added) => {
                let joined = pchip::Piece::new(x, added, outer);
                if joined.least_slope() < -1.0 - RANGE_SLACK_PCT {
                    return None;
                }
                self.piece_cost(piece, |input| joined.value(input))
            }
            (Joins::Smooth, CurveShows::Output) => {
                let outputs = std::array::from_fn(|i| x[i] + added[i]);
                let joined = pchip::Piece::new(x, outputs, outer);
                self.piece_cost(piece, |input| joined.value(input) - input)
            }
        }
    }

    fn piece_cost(&self, piece: usize, added: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
        let (mut worst, mut squares) = (0.0_f64, 0.0);
        let mut before = f64::NEG_INFINITY;
        for (input, place) in &self.pieces[piece] {
            let addition = added(*input);
            let curve = self.bare.limited_curve_pct(input + addition);
            let servo = self.bare.servo_for_curve_pct(curve);
            let falls = curve < before - RANGE_SLACK_PCT;
            if !self.is_within(servo) || falls || self.moves_neutral(place, addition) {
                return None;
            }
            before = curve;
            let apart = self.pair.follower_deg(servo) - place.target_deg;
            squares += apart * apart;
            if place.reachable {
                worst = worst.max(apart.abs());
            }
        }
        Some((worst, squares))
    }

    /// Neutral stays put: exactly where the points allow it, within half a step where they are
    /// unevenly about it.
    fn moves_neutral(&self, place: &Place, addition: f64) -> bool {
        if place.stick_pct.abs() > SAME_PCT {
            return false;
        }
        let after = self.points_pct.partition_point(|&point| point < 0.0);
        let even = after > 0
            && after < self.points_pct.len()
            && (self.points_pct[after - 1] + self.points_pct[after]).abs() < SAME_PCT;
        let slack = if even {
            SAME_PCT
        } else {
            0.5 * self.pair.radio().step_pct
        };
        (addition - self.joined.added_pct(0.0)).abs() > slack
    }
}
