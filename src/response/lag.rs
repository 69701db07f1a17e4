//! Lag: how much later one side moves than the other.
//!
//! The follower is predicted from the reference as it was τ earlier: δ_f(t) = g(δ_r(t − τ)) + b,
//! with g the relation of both at the holds and b half the play for each way of moving. τ is found
//! by least squares over the frames on the move (Gauss–Newton on one unknown).

use super::constants::{
    FEWEST_MOVES, FEWEST_MOVING_FRAMES, LARGEST_LAG_S, LONGEST_SPEED_SPAN_S, SLOWEST_DEG_PER_S,
};
use super::{SideLag, StationDeflection};
use crate::conventions::COVERAGE_FACTOR;
use crate::measured::Measured;
use crate::stations::Approach;
use crate::stick;

/// Steps of the least squares; each one divides the error by far more than ten.
const STEPS: usize = 8;

/// One surface as the lag needs it.
pub(super) struct Side<'a> {
    pub name: &'a str,
    pub stations: &'a [StationDeflection],
    /// Deflection by frame from neutral, deg, and the variance of its noise.
    pub frames: Vec<Option<(f64, f64)>>,
}

/// Frames on the move: time, follower, number of the move.
struct Moving {
    time_s: f64,
    follower_deg: f64,
    move_number: usize,
    /// Variances of the reference's and the follower's noise, deg².
    noise_deg2: [f64; 2],
}

/// The lag of the follower behind the reference; `None` where too little was seen moving.
pub(super) fn side_lag(
    time_s: &[f64],
    moves: &[Option<usize>],
    reference: &Side,
    follower: &Side,
) -> Option<SideLag> {
    let course = Course::new(time_s, &reference.frames);
    let relation = Relation::new(reference.stations, follower.stations)?;
    let moving: Vec<Moving> = (0..time_s.len())
        .filter_map(|frame| {
            let (follower_deg, follower_deg2) = follower.frames[frame]?;
            let reference_deg2 = reference.frames[frame].map_or(0.0, |(_, variance)| variance);
            let (_, speed) = course.at(time_s[frame])?;
            (speed.abs() > SLOWEST_DEG_PER_S).then_some(Moving {
                time_s: time_s[frame],
                follower_deg,
                move_number: moves[frame]?,
                noise_deg2: [reference_deg2, follower_deg2],
            })
        })
        .collect();
    let mut lag_s = 0.0;
    let mut fit = LagStep::new(&moving, &course, &relation, lag_s)?;
    for _ in 0..STEPS {
        lag_s = (lag_s + fit.step_s).clamp(-LARGEST_LAG_S, LARGEST_LAG_S);
        fit = LagStep::new(&moving, &course, &relation, lag_s)?;
    }
    (lag_s.abs() < LARGEST_LAG_S).then(|| SideLag {
        reference: reference.name.into(),
        follower: follower.name.into(),
        lag_s: Measured::new(lag_s, fit.sd_s),
        uneven_deg: fit.uneven_deg,
        uneven_u_deg: Some(fit.uneven_u_deg),
    })
}

/// One Gauss–Newton step, and the residuals.
struct LagStep {
    step_s: f64,
    sd_s: f64,
    uneven_deg: f64,
    uneven_u_deg: f64,
}

impl LagStep {
    fn new(moving: &[Moving], course: &Course, relation: &Relation, lag_s: f64) -> Option<Self> {
        let mut rows: Vec<(usize, f64, f64)> = Vec::new();
        let mut noise_deg2 = 0.0;
        for frame in moving {
            let Some((reference_deg, speed)) = course.at(frame.time_s - lag_s) else {
                continue;
            };
            let (expected_deg, slope) = relation.at(reference_deg, speed);
            let residual_deg = frame.follower_deg - expected_deg;
            rows.push((frame.move_number, -slope * speed, residual_deg));
            // The reference's noise comes in as the follower answers it.
            let [reference_deg2, follower_deg2] = frame.noise_deg2;
            noise_deg2 += follower_deg2 + slope * slope * reference_deg2;
        }
        let count = rows.len();
        let normal: f64 = rows.iter().map(|(_, gain, _)| gain * gain).sum();
        let step_s = rows.iter().map(|(_, gain, r)| gain * r).sum::<f64>() / normal;
        let moves = rows.chunk_by(|a, b| a.0 == b.0);
        if count < FEWEST_MOVING_FRAMES || moves.clone().count() < FEWEST_MOVES || normal <= 0.0 {
            return None;
        }
        // Errors of the frames of one move are correlated, those of different moves are not: the
        // uncertainty comes from the scatter between moves (the cluster-robust variance of Liang
        // and Zeger, Biometrika 73 (1986) 13).
        let left = |(_, gain, residual): &(usize, f64, f64)| gain * (residual - gain * step_s);
        let squares: f64 = moves
            .clone()
            .map(|rows| rows.iter().map(left).sum::<f64>().powi(2))
            .sum();
        let count_moves = moves.clone().count() as f64;
        let repeats = count_moves / (count_moves - 1.0);
        let mean_square = rows.iter().map(|(_, _, r)| r * r).sum::<f64>() / count as f64;
        let of_moves: f64 = moves
            .map(|rows| {
                rows.iter()
                    .map(|(_, _, r)| r * r - mean_square)
                    .sum::<f64>()
            })
            .map(|sum| sum * sum)
            .sum();
        let u_deg2 = COVERAGE_FACTOR * (of_moves * repeats).sqrt() / count as f64;
        let uneven_deg2 = (mean_square - noise_deg2 / count as f64).max(0.0);
        Some(Self {
            step_s,
            sd_s: (squares * repeats).sqrt() / normal,
            uneven_deg: uneven_deg2.sqrt(),
            uneven_u_deg: u_of_root(uneven_deg2, u_deg2),
        })
    }
}

/// Expanded uncertainty of a square root. Linear propagation fails near zero; the ends of the
/// square's interval are used instead.
pub(super) fn u_of_root(square: f64, u_of_square: f64) -> f64 {
    let root = square.sqrt();
    let lowest = (square - u_of_square).max(0.0).sqrt();
    let highest = (square + u_of_square).sqrt();
    (root - lowest).max(highest - root)
}

/// A deflection as a continuous function of time: cubic between frames, speeds from neighbours.
struct Course {
    /// Time, deflection, speed.
    knots: Vec<(f64, f64, f64)>,
}

impl Course {
    fn new(time_s: &[f64], frames: &[Option<(f64, f64)>]) -> Self {
        let points: Vec<(f64, f64)> = time_s
            .iter()
            .zip(frames)
            .filter_map(|(&time, frame)| Some((time, (*frame)?.0)))
            .collect();
        let speed = |k: usize| {
            let (before, after) = (
                points[k.saturating_sub(1)],
                points[(k + 1).min(points.len() - 1)],
            );
            let span = after.0 - before.0;
            if span > 0.0 && span < LONGEST_SPEED_SPAN_S {
                (after.1 - before.1) / span
            } else {
                0.0
            }
        };
        let knot = |k: usize| (points[k].0, points[k].1, speed(k));
        Self {
            knots: (0..points.len()).map(knot).collect(),
        }
    }

    /// Deflection and speed at a time within the course, by the cubic Hermite form.
    fn at(&self, time_s: f64) -> Option<(f64, f64)> {
        let after = self.knots.partition_point(|knot| knot.0 < time_s).max(1);
        let (&(t0, x0, v0), &(t1, x1, v1)) = (self.knots.get(after - 1)?, self.knots.get(after)?);
        let span = t1 - t0;
        if time_s < t0 || span >= LONGEST_SPEED_SPAN_S {
            return None;
        }
        let s = (time_s - t0) / span;
        let (a, b) = (v0 * span - (x1 - x0), (x1 - x0) - v1 * span);
        let blend = s * (1.0 - s);
        let value = x0 + s * (x1 - x0) + blend * (a * (1.0 - s) + b * s);
        let bend = (1.0 - 2.0 * s) * (a * (1.0 - s) + b * s) + blend * (b - a);
        Some((value, (x1 - x0 + bend) / span))
    }
}

/// The follower's deflection against the reference's, from the holds.
struct Relation {
    /// Mean deflections of both by station, rising in the reference's.
    points: Vec<(f64, f64)>,
    /// The follower's distance from the points while the stick rises and while it falls.
    offset_deg: [f64; 2],
    /// Whether the reference goes up with the stick.
    reference_rises: bool,
}

impl Relation {
    fn new(reference: &[StationDeflection], follower: &[StationDeflection]) -> Option<Self> {
        // Stick, approach, deflection of both at the holds where both were measured.
        let pairs: Vec<(f64, Approach, f64, f64)> = reference
            .iter()
            .filter_map(|station| {
                let other = follower.iter().find(|other| other.hold == station.hold)?;
                let values = (station.deflection_deg.value, other.deflection_deg.value);
                Some((station.stick_pct, station.approach, values.0, values.1))
            })
            .collect();
        let sticks = stick::distinct_pct(pairs.iter().map(|pair| pair.0));
        let mut points: Vec<(f64, f64)> = sticks
            .iter()
            .map(|&stick_pct| {
                let is_here = |pair: &&(f64, Approach, f64, f64)| stick::is_same(pair.0, stick_pct);
                let here: Vec<_> = pairs.iter().filter(is_here).collect();
                let count = here.len() as f64;
                let sum = |value: fn(&(f64, Approach, f64, f64)) -> f64| -> f64 {
                    here.iter().map(|pair| value(pair)).sum()
                };
                (sum(|pair| pair.2) / count, sum(|pair| pair.3) / count)
            })
            .collect();
        let reference_rises = points.last()?.0 > points.first()?.0;
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        if points.len() < 2 {
            return None;
        }
        let mut relation = Self {
            points,
            offset_deg: [0.0; 2],
            reference_rises,
        };
        relation.offset_deg = [Approach::Rising, Approach::Falling].map(|approach| {
            let there: Vec<f64> = pairs
                .iter()
                .filter(|pair| pair.1 == approach)
                .map(|pair| pair.3 - relation.on_points(pair.2).0)
                .collect();
            there.iter().sum::<f64>() / there.len().max(1) as f64
        });
        Some(relation)
    }

    /// Straight lines between the points and beyond them: value and slope.
    fn on_points(&self, reference_deg: f64) -> (f64, f64) {
        let after = self.points.partition_point(|point| point.0 < reference_deg);
        let after = after.clamp(1, self.points.len() - 1);
        let (a, b) = (self.points[after - 1], self.points[after]);
        let slope = if b.0 > a.0 {
            (b.1 - a.1) / (b.0 - a.0)
        } else {
            0.0
        };
        (a.1 + slope * (reference_deg - a.0), slope)
    }

    /// The follower's deflection and its slope over the reference's, on the move.
    fn at(&self, reference_deg: f64, speed_deg_per_s: f64) -> (f64, f64) {
        let (value, slope) = self.on_points(reference_deg);
        let is_rising = (speed_deg_per_s > 0.0) == self.reference_rises;
        (value + self.offset_deg[usize::from(!is_rising)], slope)
    }
}
