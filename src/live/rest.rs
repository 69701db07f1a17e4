//! Rests: spans in which every surface stays where it is.

use std::collections::VecDeque;

use crate::conventions::rad_from_deg;
use crate::motion::Figures;
use crate::stations::SHAKE_FLOOR_DEG;
use crate::statistics::{LineSlope, median};

/// A surface at rest stays within this of its level, degrees: smaller than the step of any station. Common
/// practice, no source.
const WITHIN_DEG: f64 = 0.05;
/// … or within so many standard deviations of a single frame, in which slow shake counts.
const WITHIN_SDS: f64 = 3.0;
/// A drift over the whole rest beyond the same limit, and beyond so many of its standard errors, is a slow move.
const DRIFT_SES: f64 = 4.0;
/// One frame in so many may be further off: three standard deviations leave some.
const STRAY_SHARE: f64 = 0.1;
/// … but no further than so many times the limit.
const STRAY_TIMES: f64 = 2.0;
/// Fewest frames that show a rest.
const FEWEST: usize = 5;
/// A surface takes part in a rest if it was measured in this share of its frames.
const MEASURED_SHARE: f64 = 0.5;

/// Deflections of one frame.
#[derive(Debug, Clone)]
pub(super) struct Moment {
    /// Number of the frame.
    pub index: usize,
    pub time_s: f64,
    pub figures: Figures,
}

/// The span of frames at the end of a series in which nothing moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span {
    /// Position of its first frame in the series.
    pub first: usize,
    /// From its first frame to the last, s.
    pub duration_s: f64,
}

/// Finds the longest rest that ends with the newest frame, frame by frame.
#[derive(Debug, Default)]
pub(super) struct RestFinder {
    /// Number of the first frame of the present rest.
    from: usize,
}

impl RestFinder {
    /// The rest that ends with the newest frame of a series, if there is one. `surfaces` are those that take part.
    pub fn find(&mut self, series: &VecDeque<Moment>, surfaces: &[usize]) -> Option<Span> {
        let last = series.back()?;
        let mut first = series.partition_point(|moment| moment.index < self.from);
        while first + FEWEST <= series.len() && !rests(series, first, surfaces) {
            first += 1;
        }
        let begun = series.get(first)?;
        self.from = begun.index;
        (first + FEWEST <= series.len()).then_some(Span {
            first,
            duration_s: last.time_s - begun.time_s,
        })
    }
}

/// Whether every surface rests from a frame of the series on; false if none is measured.
fn rests(series: &VecDeque<Moment>, first: usize, surfaces: &[usize]) -> bool {
    let frames = (series.len() - first) as f64;
    let mut any = false;
    for &surface in surfaces {
        let points = points(series, first, surface);
        if (points.len() as f64) < MEASURED_SHARE * frames {
            continue;
        }
        any = true;
        if !stays(&points) {
            return false;
        }
    }
    any
}

/// Whether one surface rests from a frame of the series on; true where it is not measured.
pub(super) fn one_rests(series: &VecDeque<Moment>, first: usize, surface: usize) -> bool {
    points(series, first, surface).len() < FEWEST || rests(series, first, &[surface])
}

/// Time, angle and standard deviation of a surface from a frame of the series on.
fn points(series: &VecDeque<Moment>, first: usize, surface: usize) -> Vec<[f64; 3]> {
    let measured = series.range(first..).filter_map(|it| {
        let angle = it.figures.angle_rad(surface)?;
        Some([it.time_s, angle, it.figures.own_sd_rad(surface)])
    });
    measured.collect()
}

/// Whether points of time, angle and standard deviation stay at one level.
fn stays(points: &[[f64; 3]]) -> bool {
    let count = points.len() as f64;
    let Some(level) = median(points.iter().map(|point| point[1])) else {
        return false;
    };
    let mut strays = 0.0;
    for [_, angle, sd] in points {
        let within = within_rad(*sd);
        let off = (angle - level).abs();
        if off > STRAY_TIMES * within {
            return false;
        }
        strays += f64::from(off > within);
    }
    strays <= (STRAY_SHARE * count).floor() && !drifts(points)
}

/// Whether points lie on a slope.
fn drifts(points: &[[f64; 3]]) -> bool {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return false;
    };
    let line = LineSlope::through(points.iter().map(|[time_s, angle, _]| (*time_s, *angle)));
    let sd = points.iter().map(|[_, _, sd]| sd).sum::<f64>() / points.len() as f64;
    line.is_some_and(|line| {
        let duration_s = last[0] - first[0];
        let drift = (line.slope * duration_s).abs();
        let error = line.standard_error(sd) * duration_s;
        drift > within_rad(sd) && drift > DRIFT_SES * error
    })
}

/// How far a surface at rest may be from its level, rad, by the standard deviation of a single frame; the errors of
/// corners lack the slow shake.
fn within_rad(sd_rad: f64) -> f64 {
    let sd_rad = sd_rad.hypot(rad_from_deg(SHAKE_FLOOR_DEG));
    rad_from_deg(WITHIN_DEG).max(WITHIN_SDS * sd_rad)
}
