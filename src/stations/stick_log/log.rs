//! A logged stick trace: the stick over time, on a clock of its own.

use crate::stations::constants::{LONGEST_GAP_S, SMALLEST_TRAVEL_PCT, STICK_AT_REST_PCT};
use std::path::Path;

use crate::stations::error::{RowFault, StationsError};
use crate::stations::table::{Row, read_rows};
use crate::statistics::extremes;

/// Longest log that is searched, s; a longer one is of more than one clip.
const LONGEST_LOG_S: f64 = 6.0 * 3600.0;

/// Stick over time on the log's clock.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::stations) struct StickLog {
    /// Rising.
    time_s: Vec<f64>,
    stick_pct: Vec<f64>,
}

impl StickLog {
    /// Reads and checks a file.
    pub fn read(path: &Path) -> Result<Self, StationsError> {
        Self::from_rows(path, &read_rows(path)?)
    }

    fn from_rows(path: &Path, rows: &[Row]) -> Result<Self, StationsError> {
        let faults: Vec<RowFault> = rows
            .windows(2)
            .filter(|pair| pair[1].time_s <= pair[0].time_s)
            .map(|pair| RowFault {
                line: pair[1].line,
                fault: format!(
                    "time_s {} does not come after the {} of line {}",
                    pair[1].time_s, pair[0].time_s, pair[0].line
                ),
            })
            .collect();
        if !faults.is_empty() {
            return Err(StationsError::LogFaulty {
                path: path.to_path_buf(),
                faults,
            });
        }
        let log = Self {
            time_s: rows.iter().map(|row| row.time_s).collect(),
            stick_pct: rows.iter().map(|row| row.stick_pct).collect(),
        };
        let [lowest_pct, highest_pct] = log.range_pct();
        let duration_s = log.end_s() - log.start_s();
        if highest_pct - lowest_pct < SMALLEST_TRAVEL_PCT {
            return Err(StationsError::LogStill {
                path: path.to_path_buf(),
                range_pct: [lowest_pct, highest_pct],
                needed_pct: SMALLEST_TRAVEL_PCT,
            });
        }
        if duration_s > LONGEST_LOG_S {
            return Err(StationsError::LogTooLong {
                path: path.to_path_buf(),
                duration_s,
                longest_s: LONGEST_LOG_S,
            });
        }
        Ok(log)
    }

    /// A log of given times and sticks, for tests.
    #[cfg(test)]
    pub fn of(time_s: &[f64], stick_pct: &[f64]) -> Self {
        Self {
            time_s: time_s.to_vec(),
            stick_pct: stick_pct.to_vec(),
        }
    }

    /// First time.
    pub fn start_s(&self) -> f64 {
        self.time_s.first().copied().unwrap_or(0.0)
    }

    /// Last time.
    pub fn end_s(&self) -> f64 {
        self.time_s.last().copied().unwrap_or(0.0)
    }

    /// Smallest and largest stick.
    fn range_pct(&self) -> [f64; 2] {
        extremes(self.stick_pct.iter().copied())
    }

    /// The stick at a time on the log's clock, straight between rows; `None` outside the log and in
    /// gaps over which it changed.
    pub fn stick_pct(&self, time_s: f64) -> Option<f64> {
        let after = self.time_s.partition_point(|&row_s| row_s < time_s);
        if after == 0 {
            let is_first = self.time_s.first() == Some(&time_s);
            return is_first.then(|| self.stick_pct[0]);
        }
        let (t0, t1) = (self.time_s[after - 1], *self.time_s.get(after)?);
        let (s0, s1) = (self.stick_pct[after - 1], self.stick_pct[after]);
        let is_known = t1 - t0 <= LONGEST_GAP_S || (s1 - s0).abs() <= STICK_AT_REST_PCT;
        is_known.then(|| s0 + (s1 - s0) * (time_s - t0) / (t1 - t0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(points: &[(f64, f64)]) -> Vec<Row> {
        let row = |(index, &(time_s, stick_pct)): (usize, &(f64, f64))| Row {
            line: index as u64 + 2,
            time_s,
            stick_pct,
        };
        points.iter().enumerate().map(row).collect()
    }

    fn log(points: &[(f64, f64)]) -> Result<StickLog, StationsError> {
        StickLog::from_rows(Path::new("stick.csv"), &rows(points))
    }

    #[test]
    fn a_clock_that_runs_back_is_reported_row_by_row() {
        let error = log(&[(0.0, 0.0), (0.1, 5.0), (0.1, 6.0), (0.05, 90.0)]).unwrap_err();
        let found = error.to_string();
        assert!(found.contains("line 4: time_s 0.1"), "{found}");
        assert!(found.contains("line 5: time_s 0.05"), "{found}");
    }

    #[test]
    fn a_log_at_rest_or_lasts_a_day_is_refused() {
        let still = log(&[(0.0, 12.0), (9.0, 14.0)]).unwrap_err();
        assert!(matches!(still, StationsError::LogStill { .. }), "{still}");
        let long = log(&[(0.0, -100.0), (86_400.0, 100.0)]).unwrap_err();
        assert!(matches!(long, StationsError::LogTooLong { .. }), "{long}");
    }

    #[test]
    fn the_stick_is_straight_between_rows_and_unknown_in_gaps_it_moved_over() {
        let points = [(1.0, 0.0), (1.1, 10.0), (3.0, 10.4), (4.0, 80.0)];
        let log = log(&points).unwrap();
        let found = [0.9, 1.0, 1.05, 2.0, 3.5, 4.0, 4.1].map(|time_s| log.stick_pct(time_s));
        assert_eq!(found[0], None);
        assert_eq!(found[1], Some(0.0));
        approx::assert_relative_eq!(found[2].unwrap(), 5.0, epsilon = 1e-9);
        approx::assert_relative_eq!(found[3].unwrap(), 10.0 + 0.4 * 0.9 / 1.9, epsilon = 1e-9);
        assert_eq!(found[4], None);
        assert_eq!(found[6], None);
    }
}
