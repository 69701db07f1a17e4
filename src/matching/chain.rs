//! The curve points that serve best for given end points, rounded to the radio's step, jointly.
//!
//! Between two points of the output curve the command depends on those two points only (straight
//! joins) or on them and their neighbours (smooth joins). So the best rounded points are a best
//! path through a layered graph, found by dynamic programming without linearising anything. The
//! search window of each point holds every value that could beat a known solution.

use super::constants::LEAST_SHARE;
use crate::model_file::{CurveShows, Joins, Settings};

use super::command::{Command, JoinedPoints};
use super::end_points::on_step;
use super::layers::{Edge, best_path};
use super::pair::{Pair, Place};
use super::pchip;
use super::score::{Aim, RANGE_SLACK_PCT};
use super::states::States;

/// Most values of one point looked at together with straight joins.
const MOST_VALUES_STRAIGHT: usize = 161;
/// Most values of one point looked at together with smooth joins, where four points meet.
const MOST_VALUES_SMOOTH: usize = 11;
/// Rounds of moving a window that was cut.
const ROUNDS: usize = 8;
/// Additions nearer than this are the same, %.
const SAME_PCT: f64 = 1e-9;
/// The best curve for given end points.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct BestCurve {
    /// All numbers of the servo.
    pub settings: Settings,
    /// Largest |mismatch| where the follower can reach its target, deg.
    pub worst_deg: f64,
    /// Sum of squares over the places, with the least gain of each changed number, deg².
    pub squares_deg2: f64,
    /// Whether every curve that could be better was looked at.
    pub proven: bool,
}

/// The best curve points, everything else as in `base`; `None` if no curve is allowed.
///
/// Changes count from the numbers that the follower has now.
pub(super) fn best(pair: &Pair, places: &[Place], base: &Settings, aim: Aim) -> Option<BestCurve> {
    let points_pct = pair.radio().curve_points_pct.as_deref()?;
    let chain = Chain::new(pair, places, base, points_pct, aim)?;
    let mut found = [1.0, 4.0, 16.0]
        .into_iter()
        .find_map(|steps| chain.solve(&chain.windows_about_ideal(steps)))?;
    let most = match pair.radio().joins {
        Joins::Straight => MOST_VALUES_STRAIGHT,
        Joins::Smooth => MOST_VALUES_SMOOTH,
    };
    let mut proven = true;
    for _ in 0..ROUNDS {
        let full = chain.windows_within(found.worst_deg);
        let cut = chain.cut(&full, &found.added_pct, most);
        proven = cut
            .iter()
            .zip(&full)
            .all(|(cut, full)| cut.len() == full.len());
        let Some(better) = chain.solve(&cut) else {
            break;
        };
        let settled = better.added_pct == found.added_pct;
        found = better;
        if proven || settled {
            break;
        }
    }
    Some(BestCurve {
        settings: chain.settings(&found.added_pct),
        worst_deg: found.worst_deg,
        squares_deg2: found.squares_deg2,
        proven,
    })
}

/// The least mismatch that any value of a point in the radio's steps leaves at that point itself, the
/// largest of all points: no curve with these end points leaves less, deg.
pub(super) fn least_possible_deg(pair: &Pair, places: &[Place], base: &Settings) -> f64 {
    let aim = Aim::least(0.0);
    let points_pct = pair.radio().curve_points_pct.as_deref().unwrap_or_default();
    let Some(chain) = Chain::new(pair, places, base, points_pct, aim) else {
        return f64::INFINITY;
    };
    let windows = chain.windows_about_ideal(1.0);
    let mut largest = 0.0_f64;
    for (point, window) in windows.iter().enumerate() {
        let place = chain.at_points[point];
        if place.reachable && chain.is_measured(point) {
            let apart = |added: &f64| (chain.deg_at(point, *added) - place.target_deg).abs();
            largest = largest.max(window.iter().map(apart).fold(f64::INFINITY, f64::min));
        }
    }
    largest
}

/// A path through the graph.
struct Found {
    added_pct: Vec<f64>,
    worst_deg: f64,
    squares_deg2: f64,
}

/// The points that shape the measured travel, the places between them and the present numbers.
struct Chain<'a> {
    pair: &'a Pair,
    base: &'a Settings,
    aim: Aim,
    /// First point that is searched, among all of the radio's.
    first: usize,
    points_pct: &'a [f64],
    /// Present additions at these points.
    now_pct: Vec<f64>,
    /// Places before the first point, between points, and after the last, each with what enters the
    /// curve there.
    pieces: Vec<Vec<(f64, Place)>>,
    /// The place nearest to each point.
    at_points: Vec<Place>,
    /// Input of the curve at both ends of the measured travel.
    span_pct: [f64; 2],
    /// Command of the base without its curve.
    bare: Command,
    joined: JoinedPoints,
    range_pct: [f64; 2],
}

impl<'a> Chain<'a> {
    /// `None` if there is no place.
    fn new(
        pair: &'a Pair,
        places: &[Place],
        base: &'a Settings,
        points_pct: &'a [f64],
        aim: Aim,
    ) -> Option<Self> {
        let radio = pair.radio();
        let untouched = radio.untouched();
        let bare = Settings {
            curve_pct: untouched.curve_pct,
            ..base.clone()
        };
        let bare = Command::new(radio, &bare);
        let inputs: Vec<(f64, Place)> = places
            .iter()
            .map(|place| (bare.curve_input_pct(place.stick_pct), *place))
            .collect();
        let span_pct = [inputs.first()?.0, inputs.last()?.0];
        let searched = searched_points(points_pct, span_pct);
        let (first, points_pct) = (searched.start, &points_pct[searched.clone()]);
        let edges: Vec<f64> = std::iter::once(f64::NEG_INFINITY)
            .chain(points_pct.iter().copied())
            .chain([f64::INFINITY])
            .collect();
        let within = |edges: &[f64]| {
            let inputs = inputs.iter().copied();
            inputs
                .filter(|(input, _)| *input > edges[0] && *input <= edges[1])
                .collect()
        };
        let nearest = |point: &f64| {
            let by_distance = |a: &&(f64, Place), b: &&(f64, Place)| {
                (a.0 - point).abs().total_cmp(&(b.0 - point).abs())
            };
            inputs.iter().min_by(by_distance).map(|(_, place)| *place)
        };
        Some(Self {
            at_points: points_pct.iter().filter_map(nearest).collect(),
            pieces: edges.windows(2).map(within).collect(),
            now_pct: radio.additions_pct(&base.curve_pct)[searched].to_vec(),
            joined: JoinedPoints::new(radio, &base.curve_pct),
            range_pct: pair.command_range_pct(),
            span_pct,
            bare,
            pair,
            base,
            aim,
            first,
            points_pct,
        })
    }

    /// All numbers of the servo with these additions; at points beyond the searched ones the last
    /// change is carried on, as far as the curve's limit allows.
    fn settings(&self, added_pct: &[f64]) -> Settings {
        let radio = self.pair.radio();
        let all = radio.curve_points_pct.as_deref().unwrap_or_default();
        let entered_pct = radio.additions_pct(&self.base.curve_pct);
        let last = added_pct.len().saturating_sub(1);
        let typed = |(index, &point): (usize, &f64)| {
            let own = index.saturating_sub(self.first).min(last);
            let is_searched = index == self.first + own;
            let change = added_pct[own] - self.now_pct[own];
            if is_searched || change.abs() < SAME_PCT {
                return radio.typed_pct(point, entered_pct[index] + change);
            }
            let added = entered_pct[index] + change;
            let room = radio.curve_limit_pct - point.abs();
            let carried = if added * point > 0.0 && added.abs() > room {
                room.max(0.0).copysign(added)
            } else {
                added
            };
            let steps = (radio.typed_pct(point, carried) / radio.step_pct).round();
            on_step(steps, radio.step_pct)
        };
        Settings {
            curve_pct: all.iter().enumerate().map(typed).collect(),
            ..self.base.clone()
        }
    }

    /// Whether a point is within the measured travel.
    fn is_measured(&self, point: usize) -> bool {
        let at = self.points_pct[point];
        at >= self.span_pct[0] - SAME_PCT && at <= self.span_pct[1] + SAME_PCT
    }

    /// The addition at a point that takes the follower to a deflection, at the place next to it.
    fn addition_pct(&self, point: usize, target_deg: f64) -> f64 {
        let servo = self.pair.ideal_command_pct(target_deg);
        let at = self.points_pct[point];
        let next_to = at.clamp(self.span_pct[0], self.span_pct[1]);
        self.bare.curve_for_servo_pct(servo) - next_to
    }

    /// Values within some steps of the unrounded ones.
    fn windows_about_ideal(&self, steps: f64) -> Vec<Vec<f64>> {
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
    fn windows_within(&self, worst_deg: f64) -> Vec<Vec<f64>> {
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

    /// Where the follower gets at the place next to a point with an addition there, deg.
    fn deg_at(&self, point: usize, added_pct: f64) -> f64 {
        let curve = self
            .bare
            .limited_curve_pct(self.points_pct[point] + added_pct);
        self.pair.follower_deg(self.bare.servo_for_curve_pct(curve))
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

    /// Whether a command was measured.
    fn is_within(&self, servo_pct: f64) -> bool {
        servo_pct >= self.range_pct[0] - RANGE_SLACK_PCT
            && servo_pct <= self.range_pct[1] + RANGE_SLACK_PCT
    }

    /// Windows cut to the values next to a known solution, the present one always kept.
    fn cut(&self, windows: &[Vec<f64>], about: &[f64], most: usize) -> Vec<Vec<f64>> {
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

    /// The best curve with each point's value from its window.
    fn solve(&self, windows: &[Vec<f64>]) -> Option<Found> {
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

/// The points that shape the measured travel: those within, and the first beyond each end if the
/// travel goes on from the last one within.
fn searched_points(points_pct: &[f64], span_pct: [f64; 2]) -> std::ops::Range<usize> {
    let start = points_pct.partition_point(|&point| point <= span_pct[0] + SAME_PCT);
    let end = points_pct.partition_point(|&point| point < span_pct[1] - SAME_PCT);
    start.saturating_sub(1)..(end + 1).min(points_pct.len())
}
