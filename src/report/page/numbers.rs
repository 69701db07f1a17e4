//! The numbers to enter, row by row in the order in which a person works: sub-trim, end points,
//! curve.

use crate::matching::Correction;
use crate::measurement::Measurement;
use crate::model_file::{Radio, Settings};
use crate::report::figures::{percent, percent_unsigned};

/// Two numbers closer than this are the same at any radio, percent.
const SAME_PCT: f64 = 1e-6;

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
    let mut rows = vec![row(
        "sub-trim",
        [before.sub_trim_pct, now.sub_trim_pct],
        percent,
    )];
    for (side, what) in ["end point at −100", "end point at +100"]
        .into_iter()
        .enumerate()
    {
        let numbers = [before.end_points_pct[side], now.end_points_pct[side]];
        rows.push(row(what, numbers, percent_unsigned));
    }
    let positions = radio
        .and_then(|radio| radio.curve_points_pct.as_deref())
        .unwrap_or_default();
    for (index, &addition_pct) in now.curve_pct.iter().enumerate() {
        let was_pct = before.curve_pct.get(index).copied().unwrap_or(0.0);
        let position_pct = positions.get(index).copied();
        let what = position_pct.map_or_else(
            || format!("curve point {}", index + 1),
            |position_pct| format!("curve point at {}", percent(position_pct)),
        );
        rows.push(NumberRow {
            output: position_pct.map_or_else(String::new, |position_pct| {
                percent(position_pct + addition_pct)
            }),
            ..row(&what, [was_pct, addition_pct], percent)
        });
    }
    rows
}

fn row(what: &str, numbers: [f64; 2], shown: fn(f64) -> String) -> NumberRow {
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
    fn a_radio_that_nobody_described_still_gets_its_rows() {
        let mut measurement = heron();
        measurement.radio = None;
        let rows = number_rows(&measurement, &measurement.matches[0]);
        assert_eq!(rows.len(), 12);
        assert_eq!(rows[3].what, "curve point 1");
        assert_eq!(rows[1].before, "100");
    }
}
