//! The curve points that serve best, rounded to the radio's step, jointly and exactly.
//!
//! Between two points of the output curve the command depends on those two points only (straight
//! joins) or on them and their neighbours (smooth joins). So the best rounded points are a best
//! path through a layered graph, found by dynamic programming without linearising anything. The
//! search window of each point holds every value that could beat a known solution, which makes
//! the optimum a proven one.

use crate::model_file::{Joins, Settings};

use super::command::{Command, JoinedPoints};
use super::end_points::on_step;
use super::layers::{Edge, best_path};
use super::pair::{Pair, Place};
use super::pchip;
use super::score::RANGE_SLACK_PCT;

/// Most values of one point looked at together with straight joins.
const MOST_VALUES_STRAIGHT: usize = 161;
/// Most values of one point looked at together with smooth joins, where four points meet.
const MOST_VALUES_SMOOTH: usize = 11;
/// Rounds of moving a window that was cut.
const ROUNDS: usize = 8;
/// Additions nearer than this are the same, %.
const SAME_PCT: f64 = 1e-9;

/// The best curve and whether it is proven so.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct BestCurve {
    /// All numbers of the servo.
    pub settings: Settings,
    /// Largest |mismatch| on pieces of the curve whose targets are all within reach, deg.
    pub worst_deg: f64,
    /// Whether every curve that could be better was looked at.
    pub proven: bool,
}

/// The best curve points, everything else as in `base`; `None` if no curve is allowed.
pub(super) fn best(pair: &Pair, places: &[Place], base: &Settings) -> Option<BestCurve> {
    let points_pct = pair.radio().curve_points_pct.as_deref()?;
    let chain = Chain::new(pair, places, base, points_pct);
    let mut found = [1.0, 4.0, 16.0]
        .into_iter()
        .find_map(|steps| chain.solve(&chain.windows_about_ideal(steps)))?;
    let most = match pair.radio().joins {
        Joins::Straight => MOST_VALUES_STRAIGHT,
        Joins::Smooth => MOST_VALUES_SMOOTH,
    };
    let mut proven = true;
    for _ in 0..ROUNDS {
        let full = chain.windows_within(found.1);
        let cut = chain.cut(&full, &found.0, most);
        proven = cut
            .iter()
            .zip(&full)
            .all(|(cut, full)| cut.len() == full.len());
        let Some(better) = chain.solve(&cut) else {
            break;
        };
        let settled = better.0 == found.0;
        found = better;
        if proven || settled {
            break;
        }
    }
    Some(BestCurve {
        settings: Settings {
            curve_pct: found.0,
            ..base.clone()
        },
        worst_deg: found.1,
        proven,
    })
}

/// The points, the places between them and what is entered now.
struct Chain<'a> {
    pair: &'a Pair,
    base: &'a Settings,
    points_pct: &'a [f64],
    /// Places before the first point, between points, and after the last.
    pieces: Vec<Piece>,
    /// The place nearest to each point.
    at_points: Vec<Place>,
    /// Command of the base without its curve.
    bare: Command,
    joined: JoinedPoints,
    range_pct: [f64; 2],
}

/// The places of one piece of the curve.
struct Piece {
    places: Vec<Place>,
    /// Whether all targets are within the follower's reach.
    reachable: bool,
}

impl<'a> Chain<'a> {
    fn new(pair: &'a Pair, places: &[Place], base: &'a Settings, points_pct: &'a [f64]) -> Self {
        let edges: Vec<f64> = std::iter::once(f64::NEG_INFINITY)
            .chain(points_pct.iter().copied())
            .chain([f64::INFINITY])
            .collect();
        let pieces = edges
            .windows(2)
            .map(|pair| {
                let places: Vec<Place> = places
                    .iter()
                    .copied()
                    .filter(|place| place.stick_pct > pair[0] && place.stick_pct <= pair[1])
                    .collect();
                Piece {
                    reachable: places.iter().all(|place| place.reachable),
                    places,
                }
            })
            .collect();
        let nearest = |point: &f64| {
            let distance = |place: &Place| (place.stick_pct - point).abs();
            let mut sorted: Vec<Place> = places.to_vec();
            sorted.sort_by(|a, b| distance(a).total_cmp(&distance(b)));
            sorted[0]
        };
        let bare = Settings {
            curve_pct: vec![0.0; points_pct.len()],
            ..base.clone()
        };
        Self {
            at_points: points_pct.iter().map(nearest).collect(),
            bare: Command::new(pair.radio(), &bare),
            joined: JoinedPoints::new(pair.radio(), &base.curve_pct),
            range_pct: pair.command_range_pct(),
            pair,
            base,
            points_pct,
            pieces,
        }
    }

    /// The addition at a point that brings the follower to a deflection.
    fn addition_pct(&self, point: usize, target_deg: f64) -> f64 {
        let servo = self.pair.ideal_command_pct(target_deg) - self.base.sub_trim_pct;
        let side = usize::from(servo > 0.0);
        servo * 100.0 / self.base.end_points_pct[side].max(SAME_PCT) - self.points_pct[point]
    }

    /// Values within some steps of the unrounded ones.
    fn windows_about_ideal(&self, steps: f64) -> Vec<Vec<f64>> {
        let step = self.pair.radio().step_pct;
        (0..self.points_pct.len())
            .map(|point| {
                let ideal = self.addition_pct(point, self.at_points[point].target_deg);
                self.values(point, ideal - steps * step, ideal + steps * step)
            })
            .collect()
    }

    /// All values with which a point is no farther off than `worst_deg`: no better curve has
    /// others.
    fn windows_within(&self, worst_deg: f64) -> Vec<Vec<f64>> {
        let step = self.pair.radio().step_pct;
        (0..self.points_pct.len())
            .map(|point| {
                let target = self.at_points[point].target_deg;
                let low = self.addition_pct(point, target - worst_deg);
                let high = self.addition_pct(point, target + worst_deg);
                self.values(point, low - step, high + step)
            })
            .collect()
    }

    /// The value entered now, and every multiple of the step between two values whose effect is
    /// larger than the uncertainty.
    fn values(&self, point: usize, low: f64, high: f64) -> Vec<f64> {
        let step = self.pair.radio().step_pct;
        let now = self.base.curve_pct[point];
        let at = self.points_pct[point];
        let place = self.at_points[point];
        let stays = at.abs() < SAME_PCT || (place.stick_pct - at).abs() > SAME_PCT;
        if stays {
            return vec![now];
        }
        let deg = |added: f64| {
            self.pair
                .follower_deg(self.bare.servo_for_curve_pct(at + added))
        };
        let now_deg = deg(now);
        let mut values = vec![now];
        let first = (low / step).ceil() as i64;
        let last = (high / step).floor() as i64;
        for multiple in first..=last {
            let value = on_step(multiple as f64, step);
            let servo = self.bare.servo_for_curve_pct(at + value);
            let within = servo >= self.range_pct[0] - RANGE_SLACK_PCT
                && servo <= self.range_pct[1] + RANGE_SLACK_PCT;
            let moves = (deg(value) - now_deg).abs() >= place.u_deg;
            if within && moves && (value - now).abs() > SAME_PCT {
                values.push(value);
            }
        }
        values.sort_by(f64::total_cmp);
        values
    }

    /// Windows cut to the values next to a known solution, the present one always kept.
    fn cut(&self, windows: &[Vec<f64>], about: &[f64], most: usize) -> Vec<Vec<f64>> {
        windows
            .iter()
            .zip(about)
            .zip(&self.base.curve_pct)
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

    /// The best curve with each point's value from its window, and its worst mismatch.
    fn solve(&self, windows: &[Vec<f64>]) -> Option<(Vec<f64>, f64)> {
        let states = match self.pair.radio().joins {
            Joins::Straight => States::single(windows),
            Joins::Smooth => States::with_neighbours(windows),
        };
        let edges: Vec<Vec<Edge>> = (0..self.pieces.len())
            .map(|piece| self.edges(piece, windows, &states))
            .collect();
        let path = best_path(&states.sizes(), &edges)?;
        let curve = states
            .values(&path.states)
            .iter()
            .zip(windows)
            .map(|(&value, window)| window[value])
            .collect();
        Some((curve, path.worst))
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
                        squares,
                    });
                }
            }
        }
        edges
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
        match self.pair.radio().joins {
            Joins::Straight => {
                let slope = (added[2] - added[1]) / (x[2] - x[1]);
                self.piece_cost(piece, |stick| added[1] + slope * (stick - x[1]))
            }
            Joins::Smooth => {
                let joined = pchip::Piece::new(x, added, (piece > 1, piece + 1 < count));
                if joined.least_slope() < -1.0 - RANGE_SLACK_PCT {
                    return None;
                }
                self.piece_cost(piece, |stick| joined.value(stick))
            }
        }
    }

    fn piece_cost(&self, piece: usize, added: impl Fn(f64) -> f64) -> Option<(f64, f64)> {
        let piece = &self.pieces[piece];
        let (mut worst, mut squares) = (0.0_f64, 0.0);
        let mut before = f64::NEG_INFINITY;
        for place in &piece.places {
            let addition = added(place.stick_pct);
            let curve = place.stick_pct + addition;
            let servo = self.bare.servo_for_curve_pct(curve);
            let outside = servo < self.range_pct[0] - RANGE_SLACK_PCT
                || servo > self.range_pct[1] + RANGE_SLACK_PCT;
            if outside || curve < before - RANGE_SLACK_PCT || self.moves_neutral(place, addition) {
                return None;
            }
            before = curve;
            let apart = self.pair.follower_deg(servo) - place.target_deg;
            squares += apart * apart;
            worst = worst.max(apart.abs());
        }
        Some((if piece.reachable { worst } else { 0.0 }, squares))
    }

    /// Neutral stays put: exactly where the points allow it, within half a step where they lie
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

/// States of the layered graph: which values the points about a place have.
///
/// Layer `i` stands between pieces `i − 1` and `i`. With straight joins it knows the value of the
/// point there; with smooth joins those of its neighbours too. Layers outside the curve and
/// neighbours that do not exist have the single value 0.
struct States {
    /// Indices of the values of the points before, at and after.
    layers: Vec<Vec<[usize; 3]>>,
    neighbours: bool,
}

impl States {
    fn single(windows: &[Vec<f64>]) -> Self {
        Self::build(windows, false)
    }

    fn with_neighbours(windows: &[Vec<f64>]) -> Self {
        Self::build(windows, true)
    }

    fn build(windows: &[Vec<f64>], neighbours: bool) -> Self {
        // Layer 0 lies before the first piece, the last one after the last piece.
        let size = |layer: usize| {
            layer
                .checked_sub(1)
                .and_then(|point| windows.get(point))
                .map_or(1, Vec::len)
        };
        let outer = |layer: usize| if neighbours { size(layer) } else { 1 };
        let layers = (0..windows.len() + 2)
            .map(|layer| {
                let before = if layer == 0 { 1 } else { outer(layer - 1) };
                let mut states = Vec::new();
                for a in 0..before {
                    for b in 0..size(layer) {
                        for c in 0..outer(layer + 1) {
                            states.push([a, b, c]);
                        }
                    }
                }
                states
            })
            .collect();
        Self { layers, neighbours }
    }

    fn sizes(&self) -> Vec<usize> {
        self.layers.iter().map(Vec::len).collect()
    }

    /// States that may follow over a piece, each with the values of the four points about it.
    fn next(&self, piece: usize, from: usize) -> impl Iterator<Item = (usize, [usize; 4])> + '_ {
        let before = self.layers[piece][from];
        let next = &self.layers[piece + 1];
        let span = if self.neighbours {
            let agrees = |state: &[usize; 3]| [state[0], state[1]] < [before[1], before[2]];
            let first = next.partition_point(agrees);
            let count = next[first..]
                .iter()
                .take_while(|state| [state[0], state[1]] == [before[1], before[2]])
                .count();
            first..first + count
        } else {
            0..next.len()
        };
        span.map(move |to| (to, [before[0], before[1], next[to][1], next[to][2]]))
    }

    /// The points' values along a path.
    fn values(&self, path: &[usize]) -> Vec<usize> {
        let inner = 1..path.len() - 1;
        inner
            .map(|layer| self.layers[layer][path[layer]][1])
            .collect()
    }
}
