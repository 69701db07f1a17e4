//! Assigns stations to rests and sweeps from a stick log aligned with the clip.

use super::clock::{Alignment, align};
use super::log::StickLog;
use super::timing::{LogTiming, SurfaceTiming};
use crate::measured::Measured;
use crate::stations::constants::{
    CAME_PCT, DEAD_BAND_SD_PCT, FASTEST_LOGGED_PCT_PER_S, FEWEST_PASSAGE_FRAMES,
    LARGEST_NOT_FOLLOWED, MOVING_PCT_PER_S, STILL_PCT, STILL_SHARE, UNMEASURED_PCT,
};
use crate::stations::error::StationsError;
use crate::stations::hold::Hold;
use crate::stations::labels::Labels;
use crate::stations::sweeps::sweep::{Courses, Sweeps};
use crate::stations::trace::Trace;
use crate::stations::warning::StationsWarning;
use crate::statistics::{extremes, median};
use crate::stick;

/// A log in the clip's time.
pub(in crate::stations) struct Logged<'a> {
    trace: &'a Trace,
    names: &'a [String],
    alignment: Alignment,
    /// The stick in each frame.
    pub stick_pct: Vec<Option<f64>>,
}

impl<'a> Logged<'a> {
    pub fn new(
        trace: &'a Trace,
        log: &StickLog,
        names: &'a [String],
    ) -> Result<Self, StationsError> {
        let alignment = align(trace, log, names)?;
        let offset_s = alignment.offset_s.value;
        let stick = |time_s: &f64| log.stick_pct(time_s + offset_s);
        Ok(Self {
            trace,
            names,
            stick_pct: trace.time_s.iter().map(stick).collect(),
            alignment,
        })
    }

    /// The settled frames of each rest during which the stick rested too: surfaces lag, so they go
    /// on resting when the stick has left. Nothing where the stick went on all the time.
    pub fn still_frames(&self, settled: &[Vec<usize>]) -> Vec<Vec<usize>> {
        let still = |frames: &Vec<usize>| {
            let at = |frame: &usize| self.stick_pct[*frame];
            let known: Vec<f64> = frames.iter().filter_map(at).collect();
            let middle = median(known.iter().copied()).unwrap_or(0.0);
            let is_still =
                |frame: &usize| at(frame).is_some_and(|stick| (stick - middle).abs() <= STILL_PCT);
            let kept: Vec<usize> = frames.iter().copied().filter(is_still).collect();
            match kept.len() as f64 >= STILL_SHARE * frames.len() as f64 {
                true => kept,
                false => Vec::new(),
            }
        };
        settled.iter().map(still).collect()
    }

    /// The station of each rest; `None` where no frame is still.
    pub fn label(&self, still: &[Vec<usize>]) -> Labels {
        let stick =
            |frames: &Vec<usize>| median(frames.iter().filter_map(|&frame| self.stick_pct[frame]));
        to_stations(&still.iter().map(stick).collect::<Vec<_>>())
    }

    /// Where the stick came from to each rest, if it was seen elsewhere before.
    pub fn came_from(&self, settled: &[Vec<usize>], labels: &[Option<f64>]) -> Vec<Option<f64>> {
        let before = |(frames, stick): (&Vec<usize>, &Option<f64>)| {
            let (&first, stick_pct) = (frames.first()?, (*stick)?);
            let earlier = self.stick_pct[..first].iter().rev().flatten();
            let mut elsewhere = earlier.filter(|other| (*other - stick_pct).abs() > CAME_PCT);
            elsewhere.next().copied()
        };
        settled.iter().zip(labels).map(before).collect()
    }

    /// Reports a surface that does not follow the log; sweeps cannot be measured then, nor can the
    /// moving stick be known.
    pub fn doubt_following(&self, warnings: &mut Vec<StationsWarning>) -> bool {
        let Some((surface, share)) = self.alignment.not_followed else {
            return false;
        };
        warnings.push(StationsWarning::StickNotFollowed {
            surface: self.names[surface].clone(),
            unexplained_pct: 100.0 * share,
            threshold_pct: 100.0 * LARGEST_NOT_FOLLOWED,
        });
        true
    }

    /// The passages of slow sweeps; reports those that were too fast to be measured.
    pub fn sweeps(
        &self,
        holds: &[Hold],
        warnings: &mut Vec<StationsWarning>,
    ) -> Result<Sweeps, StationsError> {
        let shafts = &self.alignment.shafts;
        let course = |surface: &Vec<Option<super::servo::Shaft>>| -> Vec<Option<f64>> {
            surface
                .iter()
                .map(|shaft| shaft.map(|s| s.at_pct))
                .collect()
        };
        let course_pct: Vec<Vec<Option<f64>>> = shafts.iter().map(course).collect();
        let is_usable = |surface: usize, frame: usize| {
            self.trace.surfaces[surface].angle_deg[frame].is_some()
                && shafts[surface][frame].is_some_and(|shaft| !shaft.at_limit)
        };
        let courses = Courses {
            time_s: &self.trace.time_s,
            stick_pct: &self.stick_pct,
            course_pct: &course_pct,
            is_usable: &is_usable,
            fastest_pct_per_s: FASTEST_LOGGED_PCT_PER_S,
        };
        let passages = courses.passages(holds);
        self.warn_of_servos_at_limit(warnings);
        self.check_measured_range(holds, &passages, warnings)?;
        Ok(Sweeps {
            passages,
            course_pct,
            timing_covariance_s2: self.alignment.timing_covariance_s2.clone(),
            opposed_sd_pct: vec![DEAD_BAND_SD_PCT; shafts.len()],
        })
    }

    /// Speed of the stick between a frame and the one before.
    fn rate_pct_per_s(&self, frame: usize) -> Option<f64> {
        let before = frame.checked_sub(1)?;
        let way = self.stick_pct[frame]? - self.stick_pct[before]?;
        Some((way / (self.trace.time_s[frame] - self.trace.time_s[before])).abs())
    }

    /// Servos that ran at their largest speed while the stick moved slowly enough for a sweep.
    fn warn_of_servos_at_limit(&self, warnings: &mut Vec<StationsWarning>) {
        for (surface, shafts) in self.alignment.shafts.iter().enumerate() {
            let rates: Vec<f64> = shafts
                .iter()
                .enumerate()
                .filter(|(_, shaft)| shaft.is_some_and(|shaft| shaft.at_limit))
                .filter_map(|(frame, _)| self.rate_pct_per_s(frame))
                .filter(|rate| (MOVING_PCT_PER_S..=FASTEST_LOGGED_PCT_PER_S).contains(rate))
                .collect();
            let largest = self.alignment.largest_pct_per_s[surface];
            if let (Some(largest_pct_per_s), true) = (largest, rates.len() >= FEWEST_PASSAGE_FRAMES)
            {
                warnings.push(StationsWarning::ServoAtLimit {
                    surface: self.names[surface].clone(),
                    frames: rates.len(),
                    largest_pct_per_s,
                });
            }
        }
    }

    /// Rejects or reports sweeps beyond the measured stations.
    fn check_measured_range(
        &self,
        holds: &[Hold],
        passages: &[crate::stations::sweeps::sweep::Passage],
        warnings: &mut Vec<StationsWarning>,
    ) -> Result<(), StationsError> {
        let moving = (0..self.trace.len())
            .filter_map(|frame| self.rate_pct_per_s(frame))
            .filter(|rate| *rate > 0.5 * FASTEST_LOGGED_PCT_PER_S);
        let rate_pct_per_s = median(moving).unwrap_or(0.0);
        let held = holds.iter().map(|hold| hold.stick_pct);
        let measured: Vec<f64> = held
            .chain(passages.iter().map(|passage| passage.stick_pct))
            .collect();
        if measured.is_empty() {
            return Err(StationsError::SweepTooFast {
                rate_pct_per_s,
                fastest_pct_per_s: FASTEST_LOGGED_PCT_PER_S,
            });
        }
        let stick_pct = extremes(self.stick_pct.iter().flatten().copied());
        let measured_pct = extremes(measured.iter().copied());
        let missing = (measured_pct[0] - stick_pct[0]).max(stick_pct[1] - measured_pct[1]);
        if missing > UNMEASURED_PCT {
            warnings.push(StationsWarning::SweepTooFast {
                rate_pct_per_s,
                fastest_pct_per_s: FASTEST_LOGGED_PCT_PER_S,
                measured_pct,
                stick_pct,
            });
        }
        Ok(())
    }

    /// The alignment for the record.
    pub fn timing(&self) -> LogTiming {
        let alignment = &self.alignment;
        let rates = (0..self.trace.len()).filter_map(|frame| self.rate_pct_per_s(frame));
        let rate_pct_per_s = median(rates.filter(|rate| *rate > MOVING_PCT_PER_S));
        let dead_s = DEAD_BAND_SD_PCT / rate_pct_per_s.unwrap_or(FASTEST_LOGGED_PCT_PER_S);
        let timing = |(surface, lag_s): (usize, &Measured)| {
            let variance = alignment.timing_covariance_s2[(surface, surface)];
            SurfaceTiming {
                surface: self.names[surface].clone(),
                lag_s: *lag_s,
                offset_less_lag_s: Measured::new(
                    alignment.offset_s.value - lag_s.value,
                    // After every turn the dead band takes its time.
                    variance.max(0.0).sqrt().hypot(dead_s),
                ),
            }
        };
        LogTiming {
            clock_offset_s: alignment.offset_s,
            surfaces: alignment.lag_s.iter().enumerate().map(timing).collect(),
        }
    }
}

/// Gives sticks that hardly differ one value, and neutral its own.
fn to_stations(sticks: &[Option<f64>]) -> Labels {
    let mut sorted: Vec<f64> = sticks.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let mut stations: Vec<(f64, f64, f64)> = Vec::new();
    let mut from = 0;
    while from < sorted.len() {
        let to = sorted.partition_point(|&stick| stick <= sorted[from] + stick::SAME_STATION_PCT);
        let group = &sorted[from..to];
        let mean = group.iter().sum::<f64>() / group.len() as f64;
        let is_neutral = group.iter().any(|&at| stick::is_same_station(at, 0.0));
        let station = if is_neutral {
            0.0
        } else {
            (10.0 * mean).round() / 10.0
        };
        stations.push((sorted[from], sorted[to - 1], station));
        from = to;
    }
    let station = |stick: f64| {
        let mut all = stations.iter();
        let own = all.find(|(lowest, highest, _)| (*lowest..=*highest).contains(&stick));
        own.map(|own| own.2)
    };
    sticks.iter().map(|stick| stick.and_then(station)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sticks_that_hardly_differ_are_one_station_and_neutral_is_zero() {
        let sticks = [0.2, 49.8, 50.2, -0.1, 75.0, 51.0].map(Some);
        let labels = to_stations(&[sticks.to_vec(), vec![None]].concat());
        let expected = [0.0, 50.0, 50.0, 0.0, 75.0, 51.0].map(Some);
        assert_eq!(labels[..6], expected);
        assert_eq!(labels[6], None);
    }
}
