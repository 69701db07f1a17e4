//! The numbers to enter, row by row in the order in which a person works: sub-trim, end points,
//! curve.

use crate::matching::Correction;
use crate::measurement::Measurement;
use crate::model_file::{Radio, Settings};
use crate::report::figures::{percent, percent_unsigned};

/// Two numbers closer than this are the same at any radio, percent.
const SAME_PCT: f64 = 1e-6;

/// Finer than any radio counts, µs.
const FINEST_US: f64 = 1e-3;

/// One number of the radio.
#[derive(Debug, Clone, PartialEq)]
pub struct NumberRow {
    /// What it is called.
    pub what: String,
    /// What was entered while the clip was taken.
    pub before: String,
    /// What to enter now.
    pub now: String,
    /// What the output is there, for curve points.
    pub output: String,
    /// Whether the two differ.
    pub changed: bool,
}

/// In what a radio counts, as far as its numbers are shown; they are kept in percent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counting {
    us_per_pct: Option<f64>,
}

impl Counting {
    /// As a radio counts; in percent where none is declared.
    pub fn of(radio: Option<&Radio>) -> Self {
        Self {
            us_per_pct: radio.and_then(|radio| radio.us_per_pct),
        }
    }

    /// The unit in a word.
    pub fn unit(self) -> &'static str {
        self.us_per_pct.map_or("percent", |_| "microseconds")
    }

    /// The unit's sign.
    pub fn sign(self) -> &'static str {
        self.us_per_pct.map_or("%", |_| "µs")
    }

    /// A number with its sign.
    pub fn shown(self, number_pct: f64) -> String {
        percent(self.counted(number_pct))
    }

    /// A number in the radio's unit, without what rounding for files has left of its last digit.
    fn counted(self, number_pct: f64) -> f64 {
        self.us_per_pct.map_or(number_pct, |us_per_pct| {
            let number_us = number_pct * us_per_pct;
            (number_us / FINEST_US).round() * FINEST_US
        })
    }

    /// An end point or a limit, which are never negative.
    pub fn shown_unsigned(self, number_pct: f64) -> String {
        percent_unsigned(self.counted(number_pct))
    }

    /// A stick position, which is in percent whatever the radio counts in.
    fn position(self, stick_pct: f64) -> String {
        let stick = percent(stick_pct);
        self.us_per_pct
            .map_or(stick.clone(), |_| format!("{stick} %"))
    }
}

/// All numbers that a correction proposes.
pub fn number_rows(measurement: &Measurement, correction: &Correction) -> Vec<NumberRow> {
    settings_rows(measurement, &correction.follower, &correction.settings)
}

/// All numbers of one surface's servo, beside those that were active.
pub fn settings_rows(measurement: &Measurement, surface: &str, now: &Settings) -> Vec<NumberRow> {
    let radio = measurement.radio.as_ref();
    let untouched = Settings::default();
    let before = radio
        .and_then(|radio| radio.active.get(surface))
        .unwrap_or(&untouched);
    rows_between(radio, before, now)
}

/// All numbers of one servo, beside earlier ones.
pub fn rows_between(radio: Option<&Radio>, before: &Settings, now: &Settings) -> Vec<NumberRow> {
    let counting = Counting::of(radio);
    let sub_trims = [before.sub_trim_pct, now.sub_trim_pct];
    let mut rows = vec![row("sub-trim", sub_trims, |trim| counting.shown(trim))];
    for (side, end_pct) in [-100.0, 100.0].into_iter().enumerate() {
        let what = format!("end point at {}", counting.position(end_pct));
        let numbers = [before.end_points_pct[side], now.end_points_pct[side]];
        rows.push(row(&what, numbers, |end| counting.shown_unsigned(end)));
    }
    let positions = radio
        .and_then(|radio| radio.curve_points_pct.as_deref())
        .unwrap_or_default();
    for (index, &addition_pct) in now.curve_pct.iter().enumerate() {
        let was_pct = before.curve_pct.get(index).copied().unwrap_or(0.0);
        let position_pct = positions.get(index).copied();
        let what = position_pct.map_or_else(
            || format!("curve point {}", index + 1),
            |position_pct| format!("curve point at {}", counting.position(position_pct)),
        );
        rows.push(NumberRow {
            output: position_pct.map_or_else(String::new, |position_pct| {
                counting.shown(position_pct + addition_pct)
            }),
            ..row(&what, [was_pct, addition_pct], |added| {
                counting.shown(added)
            })
        });
    }
    rows
}

fn row(what: &str, numbers: [f64; 2], shown: impl Fn(f64) -> String) -> NumberRow {
    let [before, now] = numbers;
    NumberRow {
        what: what.into(),
        before: shown(before),
        now: shown(now),
        output: String::new(),
        changed: (before - now).abs() > SAME_PCT,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::heron;

    #[test]
    fn only_what_differs_from_what_was_active_counts_as_changed() {
        let measurement = heron();
        let rows = number_rows(&measurement, &measurement.matches[0]);
        let changed: Vec<&str> = rows
            .iter()
            .filter(|row| row.changed)
            .map(|row| row.what.as_str())
            .collect();
        assert_eq!(
            changed,
            [
                "end point at −100",
                "end point at +100",
                "curve point at −75",
                "curve point at +25",
                "curve point at +50",
                "curve point at +75",
                "curve point at +100",
            ]
        );
        let half = &rows[9];
        assert_eq!(half.what, "curve point at +50");
        assert_eq!([&half.before, &half.now, &half.output], ["−2", "+2", "+52"]);
    }

    #[test]
    fn a_radio_that_counts_in_microseconds_is_shown_in_them() {
        let mut measurement = heron();
        if let Some(radio) = &mut measurement.radio {
            radio.us_per_pct = Some(5.12);
        }
        let rows = number_rows(&measurement, &measurement.matches[0]);
        // By hand: 98 % are 501.76 µs, +2 % are +10.24 µs, and +52 % are +266.24 µs.
        assert_eq!(rows[1].what, "end point at −100 %");
        assert_eq!([&rows[1].before, &rows[1].now], ["512", "501.76"]);
        let half = &rows[9];
        assert_eq!(half.what, "curve point at +50 %");
        assert_eq!([&half.now, &half.output], ["+10.24", "+266.24"]);
        // 13 µs, as kept in files: 2.539063 %.
        let counting = Counting::of(measurement.radio.as_ref());
        assert_eq!(counting.shown(2.539063), "+13");
    }

    #[test]
    fn a_radio_that_nobody_described_still_gets_its_rows() {
        let mut measurement = heron();
        measurement.radio = None;
        let rows = number_rows(&measurement, &measurement.matches[0]);
        assert_eq!(rows.len(), 12);
        assert_eq!(rows[3].what, "curve point 1");
        assert_eq!(rows[1].before, "100");
    }
}
