//! The curve points that serve best for given end points, rounded to the radio's step, jointly.
//!
//! Between two points of the output curve the command depends on those two points only (straight
//! joins) or on them and their neighbours (smooth joins). So the best rounded points are a best
//! path through a layered graph (`ways`), found by dynamic programming without linearising anything.
//! The search window of each point holds every value that could beat a known solution (`windows`).

mod ways;
mod windows;

use crate::model_file::{Joins, Settings};

use super::command::{Command, JoinedPoints};
use super::end_points::on_step;
use super::pair::Pair;
use super::places::Place;
use super::score::{Aim, RANGE_SLACK_PCT};

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
    /// Places before the first point, between points, and after the last, each with the curve's input
    /// there.
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
        let nearest = |point: &f64| nearest_place(*point, &inputs);
        Some(Self {
            at_points: points_pct.iter().filter_map(nearest).collect(),
            pieces: pieces_between(points_pct, &inputs),
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

    /// All numbers of the servo with these additions. Points beyond the searched ones get the change of
    /// the last searched point, within the curve's limit.
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

    /// Where the follower gets at the place next to a point with an addition there, deg.
    fn deg_at(&self, point: usize, added_pct: f64) -> f64 {
        let curve = self
            .bare
            .limited_curve_pct(self.points_pct[point] + added_pct);
        self.pair.follower_deg(self.bare.servo_for_curve_pct(curve))
    }

    /// Whether a command was measured.
    fn is_within(&self, servo_pct: f64) -> bool {
        servo_pct >= self.range_pct[0] - RANGE_SLACK_PCT
            && servo_pct <= self.range_pct[1] + RANGE_SLACK_PCT
    }
}

/// Inputs of the curve and their places, before the first point, between points, and after the last.
fn pieces_between(points_pct: &[f64], inputs: &[(f64, Place)]) -> Vec<Vec<(f64, Place)>> {
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
    edges.windows(2).map(within).collect()
}

/// The place whose input of the curve is nearest to a point.
fn nearest_place(point_pct: f64, inputs: &[(f64, Place)]) -> Option<Place> {
    let by_distance = |a: &&(f64, Place), b: &&(f64, Place)| {
        (a.0 - point_pct).abs().total_cmp(&(b.0 - point_pct).abs())
    };
    inputs.iter().min_by(by_distance).map(|(_, place)| *place)
}

/// The points that shape the measured travel: those within, and the first beyond each end if the
/// travel goes on from the last one within.
fn searched_points(points_pct: &[f64], span_pct: [f64; 2]) -> std::ops::Range<usize> {
    let start = points_pct.partition_point(|&point| point <= span_pct[0] + SAME_PCT);
    let end = points_pct.partition_point(|&point| point < span_pct[1] - SAME_PCT);
    start.saturating_sub(1)..(end + 1).min(points_pct.len())
}
