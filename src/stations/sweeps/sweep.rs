//! Sweeps: where a slowly moved stick passes stations without resting.
//!
//! The stick's course is cut into runs that only rise or only fall. Each run passes stations; a
//! passage keeps the frames around it, for each surface those in which the surface itself, its
//! delay taken out, is near the station and has taken up its play since the turn.

use crate::stations::constants::{
    END_REACH_PCT, FEWEST_ON_A_SIDE, FEWEST_PASSAGE_FRAMES, NEAR_S, OWN_END_PCT, REACH_PCT,
    SHORT_PCT, SLOWEST_SWEEP_PCT_PER_S, SPACING_PCT, TURN_BACK_PCT,
};
use nalgebra::DMatrix;

use crate::response_model::SETTLED_WAY_PCT;
use crate::stations::hold::{Approach, Hold};

/// Time before and after over which a speed is taken, s.
const SPEED_S: f64 = 0.08;

/// A time span in which the stick passes a station slowly.
#[derive(Debug, Clone, PartialEq)]
pub struct Passage {
    /// Stick position.
    pub stick_pct: f64,
    /// The way the stick goes.
    pub approach: Approach,
    /// By surface, positions in `Motion::frames` of the frames around the station, rising.
    pub frames: Vec<Vec<usize>>,
    /// First and last time of these frames.
    pub time_s: [f64; 2],
    /// Speed of the stick, signed.
    pub rate_pct_per_s: f64,
}

/// Sweeps of the stick, and where each surface is in them.
#[derive(Debug, Clone, PartialEq)]
pub struct Sweeps {
    /// In time.
    pub passages: Vec<Passage>,
    /// By surface and frame: the stick that the surface has come to, its delay taken out.
    pub course_pct: Vec<Vec<Option<f64>>>,
    /// Joint covariance of the surfaces' timing, s².
    pub timing_covariance_s2: DMatrix<f64>,
    /// By surface: standard deviation of an error of its stick that is opposite in rising and falling
    /// passages, as an unknown play or dead band makes it, pct.
    pub opposed_sd_pct: Vec<f64>,
}

impl Sweeps {
    /// No sweep.
    pub fn none(surfaces: usize) -> Self {
        Self {
            passages: Vec::new(),
            course_pct: Vec::new(),
            timing_covariance_s2: DMatrix::zeros(surfaces, surfaces),
            opposed_sd_pct: vec![0.0; surfaces],
        }
    }
}

/// Inputs of the search for passages.
pub(in crate::stations) struct Courses<'a> {
    pub time_s: &'a [f64],
    /// The stick by frame.
    pub stick_pct: &'a [Option<f64>],
    /// By surface and frame, as in [`Sweeps`].
    pub course_pct: &'a [Vec<Option<f64>>],
    /// Whether a frame of a surface may be used.
    pub is_usable: &'a dyn Fn(usize, usize) -> bool,
    /// Faster sweeps are not measured.
    pub fastest_pct_per_s: f64,
}

/// A span in which the stick only rises or only falls.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Run {
    first: usize,
    last: usize,
    from_pct: f64,
    to_pct: f64,
}

impl Courses<'_> {
    /// All passages, in time.
    pub fn passages(&self, holds: &[Hold]) -> Vec<Passage> {
        let runs = self.runs();
        let stations = stations_pct(&runs);
        let mut passages: Vec<Passage> = runs
            .iter()
            .flat_map(|run| stations.iter().map(move |&stick_pct| (run, stick_pct)))
            .filter(|(run, stick_pct)| !self.is_held(run, *stick_pct, holds))
            .filter_map(|(run, stick_pct)| self.passage(run, stick_pct))
            .collect();
        passages.sort_by(|a, b| a.time_s[0].total_cmp(&b.time_s[0]));
        passages
    }

    /// Cuts the stick's course where it turns back.
    fn runs(&self) -> Vec<Run> {
        let points: Vec<(usize, f64)> = self
            .stick_pct
            .iter()
            .enumerate()
            .filter_map(|(frame, stick)| Some((frame, (*stick)?)))
            .collect();
        let Some(&start) = points.first() else {
            return Vec::new();
        };
        let mut runs = Vec::new();
        // The extreme that the present run began at and the furthest point since.
        let (mut begin, mut furthest) = (start, start);
        for &(frame, stick_pct) in &points {
            let way = furthest.1 - begin.1;
            let is_further = (stick_pct - furthest.1) * way >= 0.0;
            if is_further {
                furthest = (frame, stick_pct);
            } else if (stick_pct - furthest.1).abs() > TURN_BACK_PCT {
                runs.push(Run::between(begin, furthest));
                begin = furthest;
                furthest = (frame, stick_pct);
            }
        }
        runs.push(Run::between(begin, furthest));
        runs
    }

    /// Speed about a frame.
    fn rate_pct_per_s(&self, course_pct: &[Option<f64>], frame: usize) -> Option<f64> {
        let [before, after] = frames_near(self.time_s, frame, SPEED_S);
        let way = (*course_pct.get(after)?)? - (*course_pct.get(before)?)?;
        Some(way / (self.time_s[after] - self.time_s[before]))
    }

    /// Whether the stick rests at the station on its way, since a rest measures it better.
    fn is_held(&self, run: &Run, stick_pct: f64, holds: &[Hold]) -> bool {
        let [from_s, to_s] = [run.first, run.last].map(|frame| self.time_s[frame]);
        holds.iter().any(|hold| {
            (hold.stick_pct - stick_pct).abs() < OWN_END_PCT
                && hold.time_s[0] < to_s + NEAR_S
                && hold.time_s[1] > from_s - NEAR_S
        })
    }

    /// Frames of a run as a surface goes it: it turns later than the stick.
    fn own_frames(&self, surface: usize, run: &Run) -> std::ops::RangeInclusive<usize> {
        let sign = (run.to_pct - run.from_pct).signum();
        let after = (run.last..self.time_s.len())
            .take_while(|&frame| self.time_s[frame] < self.time_s[run.last] + NEAR_S);
        let place = |frame: &usize| {
            let course = self.course_pct[surface].get(*frame).copied().flatten();
            sign * course.unwrap_or(f64::NEG_INFINITY * sign)
        };
        let turn = after.max_by(|a, b| place(a).total_cmp(&place(b)));
        run.first..=turn.unwrap_or(run.last)
    }

    fn passage(&self, run: &Run, stick_pct: f64) -> Option<Passage> {
        let sign = (run.to_pct - run.from_pct).signum();
        let past_end_pct = (run.to_pct - stick_pct) * sign;
        if past_end_pct < -SHORT_PCT || (stick_pct - run.from_pct) * sign < SETTLED_WAY_PCT {
            return None;
        }
        let goes_on = goes_on(run, stick_pct);
        let frames: Vec<Vec<usize>> = (0..self.course_pct.len())
            .map(|surface| {
                let frames = self.frames_about(surface, run, stick_pct);
                let beyond = frames
                    .iter()
                    .filter_map(|&frame| self.course_pct[surface][frame])
                    .filter(|course_pct| (course_pct - stick_pct) * sign > 0.0)
                    .count();
                let is_measured = frames.len() >= FEWEST_PASSAGE_FRAMES
                    && (!goes_on || beyond >= FEWEST_ON_A_SIDE)
                    && frames.len() - beyond >= FEWEST_ON_A_SIDE;
                if is_measured { frames } else { Vec::new() }
            })
            .collect();
        let (first, last) = (
            *frames.iter().filter_map(|frames| frames.first()).min()?,
            *frames.iter().filter_map(|frames| frames.last()).max()?,
        );
        let to = last.min(run.last).max(first);
        let rates = (first..=to).filter_map(|frame| self.rate_pct_per_s(self.stick_pct, frame));
        Some(Passage {
            stick_pct,
            approach: if sign > 0.0 {
                Approach::Rising
            } else {
                Approach::Falling
            },
            frames,
            time_s: [self.time_s[first], self.time_s[last]],
            rate_pct_per_s: crate::statistics::median(rates)?,
        })
    }

    /// Frames of a run in which a surface is near a station and moves slowly.
    fn frames_about(&self, surface: usize, run: &Run, stick_pct: f64) -> Vec<usize> {
        let sign = (run.to_pct - run.from_pct).signum();
        let reach_pct = match goes_on(run, stick_pct) {
            true => REACH_PCT,
            false => END_REACH_PCT,
        };
        let is_in = |frame: &usize| {
            let course = self.course_pct[surface].get(*frame).copied().flatten();
            course.is_some_and(|course_pct| {
                (course_pct - stick_pct).abs() <= reach_pct
                    && (course_pct - run.from_pct) * sign >= SETTLED_WAY_PCT
            })
        };
        let course_pct = &self.course_pct[surface];
        let is_slow = |frame: &usize| {
            self.rate_pct_per_s(course_pct, *frame).is_some_and(|rate| {
                (SLOWEST_SWEEP_PCT_PER_S..=self.fastest_pct_per_s).contains(&(rate * sign))
            })
        };
        self.own_frames(surface, run)
            .filter(|&frame| (self.is_usable)(surface, frame))
            .filter(is_in)
            .filter(is_slow)
            .collect()
    }
}

impl Run {
    fn between(begin: (usize, f64), end: (usize, f64)) -> Self {
        Self {
            first: begin.0,
            last: end.0,
            from_pct: begin.1,
            to_pct: end.1,
        }
    }
}

/// The first and the last frame within a time of a frame; its neighbours however far they are.
pub(in crate::stations) fn frames_near(time_s: &[f64], frame: usize, within_s: f64) -> [usize; 2] {
    let is_near = |other: &usize| (time_s[*other] - time_s[frame]).abs() <= within_s;
    let first = (0..frame).rev().take_while(is_near).last();
    let last = (frame + 1..time_s.len()).take_while(is_near).last();
    [
        first.unwrap_or(frame.saturating_sub(1)),
        last.unwrap_or((frame + 1).min(time_s.len() - 1)),
    ]
}

/// Whether a run continues far enough beyond a station to measure it from both sides.
fn goes_on(run: &Run, stick_pct: f64) -> bool {
    (run.to_pct - stick_pct) * (run.to_pct - run.from_pct).signum() > 0.5 * REACH_PCT
}

/// Stations on the way of the runs: even steps, and the ends of the travel.
fn stations_pct(runs: &[Run]) -> Vec<f64> {
    let end = |sign: f64| {
        let ends = || {
            runs.iter()
                .map(|run| sign * run.to_pct)
                .filter(|end| *end > 0.0)
        };
        let furthest = ends().fold(0.0, f64::max);
        // The part that all runs to that end reach.
        let near = ends().filter(|end| furthest - end < OWN_END_PCT);
        near.fold(furthest, f64::min)
    };
    let ends = [-end(-1.0), end(1.0)];
    let steps = ends.map(|end| ((end.abs() + SHORT_PCT) / SPACING_PCT).floor());
    let mut stations: Vec<f64> = (-(steps[0] as i32)..=steps[1] as i32)
        .map(|step| f64::from(step) * SPACING_PCT)
        .collect();
    for (end, steps) in ends.into_iter().zip(steps) {
        if end.abs() - steps * SPACING_PCT >= OWN_END_PCT {
            stations.push(end.trunc());
        }
    }
    stations.sort_by(f64::total_cmp);
    stations
}
