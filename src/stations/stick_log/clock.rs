//! The clock offset of a stick log, and how each surface follows the log's stick.
//!
//! `cross_correlation` proposes offsets. From each, one least squares over all frames finds the offset,
//! common to all surfaces, with each servo's lag and largest speed, while each surface's response
//! (straight between knots) and half its play are eliminated: for given servos they are linear
//! (variable projection; Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413).
//!
//! A dead time of the whole chain from the stick to the picture cannot be separated from the clock
//! and is part of the offset. A lag can: it rounds the starts and stops of moves. In a smooth slow
//! sweep it does not, and the uncertainty of the offset shows that; the sum of both stays accurate,
//! and only that sum decides where a surface's command is.

use crate::stations::constants::{
    CLEAR_OFFSET_RATIO, LAG_S, LAG_SD_S, LARGEST_CORRELATION, LARGEST_LAG_S, LARGEST_NOT_FOLLOWED,
    LARGEST_UNEXPLAINED, LEAST_COVER, LITTLE_UNEXPLAINED, SLOWNESS_S_PER_PCT,
    SLOWNESS_SD_S_PER_PCT,
};
use nalgebra::{DMatrix, DVector};

use super::cross_correlation::{OffsetCandidate, candidates};
use super::log::StickLog;
use super::response_fit::ResponseFit;
use super::servo::{Servo, Shaft};
use crate::measured::Measured;
use crate::solver::{Problem, Solution, SolverError, SolverOptions, solve};
use crate::stations::error::StationsError;
use crate::stations::trace::{SurfaceTrace, Trace};

/// A servo as slow as any in use, s per pct.
const SLOW_S_PER_PCT: f64 = 0.03;

/// Variance of the residuals in that of the noise from which on something is not explained.
const MUCH_LEFT: f64 = 10.0;

/// Offsets that are examined closely.
const MOST_CANDIDATES: usize = 4;

/// Jacobians of the fit; five are usual.
const ITERATIONS: usize = 60;

/// Alignment of the log in the clip's time, and the lag of each surface.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::stations) struct Alignment {
    /// Log's clock less the clip's.
    pub offset_s: Measured,
    /// In the order of the surfaces: time constant of the lag.
    pub lag_s: Vec<Measured>,
    /// Joint covariance of offset less lag, surface by surface, s²: the time at which each surface
    /// follows the log.
    pub timing_covariance_s2: DMatrix<f64>,
    /// Largest speed of each servo, where the clip shows one.
    pub largest_pct_per_s: Vec<Option<f64>>,
    /// The surface that follows worst and the share of its variance that is left, where that is too
    /// much for timing.
    pub not_followed: Option<(usize, f64)>,
    /// The shaft by surface and frame.
    pub shafts: Vec<Vec<Option<Shaft>>>,
}

/// Aligns a log to the motion of all surfaces.
pub(in crate::stations) fn align(
    trace: &Trace,
    log: &StickLog,
    names: &[String],
) -> Result<Alignment, StationsError> {
    let clip_s = span_s(&trace.time_s);
    let log_s = log.end_s() - log.start_s();
    if log_s < LEAST_COVER * clip_s {
        return Err(StationsError::LogTooShort { log_s, clip_s });
    }
    let mut fits: Vec<ClockFit> = candidates(trace, log, MOST_CANDIDATES)
        .iter()
        .filter_map(|candidate| ClockFit::new(trace, log, candidate))
        .collect();
    fits.sort_by(|a, b| a.unexplained().total_cmp(&b.unexplained()));
    let unlike = |fit: Option<&ClockFit>| {
        let worst = fit.map_or((0, 1.0), ClockFit::worst_surface);
        StationsError::LogUnlike {
            surface: names[worst.0].clone(),
            unexplained_pct: 100.0 * worst.1,
            threshold_pct: 100.0 * LARGEST_UNEXPLAINED,
            best_offset_s: fit.map(|fit| fit.offset_s),
        }
    };
    let Some(best) = fits.first() else {
        return Err(unlike(None));
    };
    if best.worst_surface().1 > LARGEST_UNEXPLAINED {
        return Err(unlike(Some(best)));
    }
    if best.cover < LEAST_COVER {
        return Err(StationsError::LogTooShort {
            log_s: best.cover * clip_s,
            clip_s,
        });
    }
    let limit = CLEAR_OFFSET_RATIO * best.unexplained().max(LITTLE_UNEXPLAINED);
    let is_rival = |fit: &&ClockFit| {
        (fit.offset_s - best.offset_s).abs() > LARGEST_LAG_S && fit.unexplained() < limit
    };
    if let Some(other) = fits.iter().find(is_rival) {
        return Err(StationsError::LogAmbiguous {
            offsets_s: [best.offset_s, other.offset_s],
            unexplained_pct: [best, other].map(|fit| 100.0 * fit.unexplained()),
        });
    }
    best.alignment(trace, log).ok_or_else(|| unlike(Some(best)))
}

fn span_s(time_s: &[f64]) -> f64 {
    match (time_s.first(), time_s.last()) {
        (Some(first), Some(last)) => last - first,
        _ => 0.0,
    }
}

/// A fit from one candidate.
struct ClockFit {
    offset_s: f64,
    servos: Vec<Servo>,
    /// By surface.
    left: Vec<Left>,
    /// Share of the measured frames that the log covers.
    cover: f64,
    solution: Solution,
}

impl ClockFit {
    fn new(trace: &Trace, log: &StickLog, candidate: &OffsetCandidate) -> Option<Self> {
        let problem = Following {
            trace,
            log,
            coarse_s: candidate.offset_s,
        };
        // If a servo never runs at its largest speed during the search, its derivative by that
        // speed is zero. So with large residuals the search also starts from the slow side.
        let mut solution = problem.solve_from(|_| false)?;
        if solution.residual_variance() > MUCH_LEFT {
            let one = |slow: usize| problem.solve_from(|surface| surface == slow);
            let slow = (0..trace.surfaces.len()).filter_map(one);
            let all = slow
                .chain(problem.solve_from(|_| true))
                .chain([solution.clone()]);
            let best = all.min_by(|a, b| a.cost.total_cmp(&b.cost));
            solution = best.unwrap_or(solution);
            // A lag that reached zero during the search does not leave it again.
            let again = problem.solve_with_lags_from(&solution);
            solution = again
                .filter(|again| again.cost < solution.cost)
                .unwrap_or(solution);
        }
        let (offset_s, servos) = problem.servos(&solution.parameters);
        let (mut left, mut inside, mut measured) = (Vec::new(), 0, 0);
        for (surface, servo) in trace.surfaces.iter().zip(&servos) {
            let shafts = servo.follow(log, offset_s, &trace.time_s);
            let explained = ResponseFit::new(surface, &shafts)?;
            left.push(Left::new(surface, &explained));
            inside += explained.frames.len();
            measured += surface.angle_deg.iter().flatten().count();
        }
        Some(Self {
            offset_s,
            servos,
            left,
            cover: inside as f64 / measured.max(1) as f64,
            solution,
        })
    }

    fn unexplained(&self) -> f64 {
        let shares = self.left.iter().map(|left| left.everywhere);
        shares.sum::<f64>() / self.left.len().max(1) as f64
    }

    /// The surface that the log explains least, and the share that is left.
    fn worst_surface(&self) -> (usize, f64) {
        let all = self.left.iter().map(|left| left.inside).enumerate();
        all.max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 1.0))
    }

    fn not_followed(&self) -> Option<(usize, f64)> {
        let excess = self.left.iter().map(|left| left.inside - left.noise);
        let shares = excess.enumerate();
        let worst = shares.max_by(|a, b| a.1.total_cmp(&b.1))?;
        (worst.1 > LARGEST_NOT_FOLLOWED).then_some(worst)
    }

    fn alignment(&self, trace: &Trace, log: &StickLog) -> Option<Alignment> {
        let surfaces = trace.surfaces.len();
        let correlation = neighbour_correlation(&self.solution.residuals, surfaces);
        let inflation = (1.0 + correlation) / (1.0 - correlation);
        let variance = self.solution.residual_variance().max(1.0) * inflation;
        let covariance = self.solution.covariance()? * variance;
        // The time at which a surface follows the log: offset less lag.
        let timing = DMatrix::from_fn(surfaces, covariance.nrows(), |row, column| match column {
            0 => 1.0,
            _ if column == 1 + 2 * row => -1.0,
            _ => 0.0,
        });
        let sd = |parameter: usize| covariance[(parameter, parameter)].max(0.0).sqrt();
        let shafts = self
            .servos
            .iter()
            .map(|servo| servo.follow(log, self.offset_s, &trace.time_s));
        Some(Alignment {
            offset_s: Measured::new(self.offset_s, sd(0)),
            lag_s: (0..surfaces)
                .map(|surface| Measured::new(self.servos[surface].lag_s, sd(1 + 2 * surface)))
                .collect(),
            timing_covariance_s2: &timing * &covariance * timing.transpose(),
            largest_pct_per_s: (0..surfaces)
                .map(|surface| {
                    let slowness = self.servos[surface].slowness_s_per_pct;
                    (slowness > 2.0 * sd(2 + 2 * surface)).then(|| slowness.recip())
                })
                .collect(),
            not_followed: self.not_followed(),
            shafts: shafts.collect(),
        })
    }
}

/// Remaining share of one surface's variance after a fit.
struct Left {
    /// Frames outside the log are not explained.
    everywhere: f64,
    inside: f64,
    /// The part of that share explained by the measurement's noise.
    noise: f64,
}

impl Left {
    fn new(surface: &SurfaceTrace, explained: &ResponseFit) -> Self {
        let frames = || explained.frames.iter();
        let all = spread(surface.angle_deg.iter().flatten().copied());
        let within = spread(frames().filter_map(|&frame| surface.angle_deg[frame]));
        let left: f64 = explained.residuals_deg.iter().map(|r| r * r).sum();
        let noise: f64 = frames().map(|&frame| surface.sd_deg[frame].powi(2)).sum();
        Self {
            everywhere: (left + (all - within).max(0.0)) / all.max(f64::MIN_POSITIVE),
            inside: left / within.max(f64::MIN_POSITIVE),
            noise: noise / within.max(f64::MIN_POSITIVE),
        }
    }
}

/// Sum of squares about the mean.
fn spread(values: impl Iterator<Item = f64>) -> f64 {
    let values: Vec<f64> = values.collect();
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter().map(|value| (value - mean).powi(2)).sum()
}

/// Correlation of neighbouring residuals of the deflections; the priors' rows come last.
fn neighbour_correlation(residuals: &DVector<f64>, surfaces: usize) -> f64 {
    let count = residuals.len().saturating_sub(2 * surfaces);
    let rows = &residuals.as_slice()[..count];
    let products: f64 = rows.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let squares: f64 = rows.iter().map(|row| row * row).sum();
    if squares > 0.0 {
        (products / squares).clamp(0.0, LARGEST_CORRELATION)
    } else {
        0.0
    }
}

/// The least squares: parameters are the offset from the coarse one, then lag and slowness by
/// surface; residuals are those of the deflections in standard deviations, then the priors'.
struct Following<'a> {
    trace: &'a Trace,
    log: &'a StickLog,
    coarse_s: f64,
}

impl Following<'_> {
    /// The least squares from the coarse offset, some servos taken for slow ones.
    fn solve_from(&self, is_slow: impl Fn(usize) -> bool) -> Option<Solution> {
        let mut start = DVector::zeros(self.parameter_count());
        start[0] = LAG_S;
        for surface in 0..self.trace.surfaces.len() {
            start[1 + 2 * surface] = LAG_S;
            start[2 + 2 * surface] = match is_slow(surface) {
                true => SLOW_S_PER_PCT,
                false => SLOWNESS_S_PER_PCT,
            };
        }
        self.solve_at(start)
    }

    /// The same from where a search ended, with the usual lags.
    fn solve_with_lags_from(&self, ended: &Solution) -> Option<Solution> {
        let mut start = ended.parameters.clone();
        for surface in 0..self.trace.surfaces.len() {
            start[1 + 2 * surface] = LAG_S;
        }
        self.solve_at(start)
    }

    fn solve_at(&self, start: DVector<f64>) -> Option<Solution> {
        let options = SolverOptions {
            iterations: ITERATIONS,
            cost_tolerance: 1e-10,
            step_tolerance: 1e-8,
            ..SolverOptions::default()
        };
        match solve(self, start, &options) {
            Ok((solution, _)) => Some(solution),
            Err(SolverError::IterationsExhausted { best } | SolverError::BadJacobian { best }) => {
                Some(*best)
            }
            Err(_) => None,
        }
    }

    fn servos(&self, parameters: &DVector<f64>) -> (f64, Vec<Servo>) {
        let servo = |surface: usize| Servo {
            lag_s: parameters[1 + 2 * surface],
            slowness_s_per_pct: parameters[2 + 2 * surface],
        };
        let servos = (0..self.trace.surfaces.len()).map(servo);
        (self.coarse_s + parameters[0], servos.collect())
    }
}

impl Problem for Following<'_> {
    fn parameter_count(&self) -> usize {
        1 + 2 * self.trace.surfaces.len()
    }

    fn residuals(&self, parameters: &DVector<f64>) -> Option<DVector<f64>> {
        let (offset_s, servos) = self.servos(parameters);
        let mut rows = Vec::new();
        for (surface, servo) in self.trace.surfaces.iter().zip(&servos) {
            if !(0.0..=LARGEST_LAG_S).contains(&servo.lag_s) || servo.slowness_s_per_pct < 0.0 {
                return None;
            }
            let shafts = servo.follow(self.log, offset_s, &self.trace.time_s);
            let explained = ResponseFit::new(surface, &shafts)?;
            // A row for every measured frame, so that their number does not change with the offset.
            let mut by_frame = vec![0.0; self.trace.len()];
            for (&frame, residual_deg) in explained.frames.iter().zip(&explained.residuals_deg) {
                by_frame[frame] = residual_deg / surface.sd_deg[frame];
            }
            rows.extend(by_frame);
        }
        for servo in &servos {
            rows.push((servo.lag_s - LAG_S) / LAG_SD_S);
            rows.push((servo.slowness_s_per_pct - SLOWNESS_S_PER_PCT) / SLOWNESS_SD_S_PER_PCT);
        }
        Some(DVector::from_vec(rows))
    }
}
