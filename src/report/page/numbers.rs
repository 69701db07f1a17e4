//! The numbers to enter, row by row in the order in which a person works: sub-trim, end points,
//! curve.

use crate::matching::Correction;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::model_file::{CurveShows, Radio, Settings};
use crate::report::figures::{percent, percent_unsigned};
use crate::response::StationDeflection;

/// Two numbers closer than this are the same at any radio, percent.
const SAME_PCT: f64 = 1e-6;

/// Finer than any radio counts, µs.
const FINEST_US: f64 = 1e-3;

/// One number of the radio.
#[derive(Debug, Clone, PartialEq)]
pub struct NumberRow {
    /// Name of the setting.
    pub what: String,
    /// Place of the setting: the position of a curve point or an end; `None` for settings without a
    /// place.
    pub at_pct: Option<f64>,
    /// The number during the clip.
    pub before: String,
    /// The number to enter.
    pub now: String,
    /// Whether the two differ.
    pub changed: bool,
}

/// Unit of the numbers as shown; files keep percent.
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

    /// A number in the radio's unit, without the digits lost by rounding for files.
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
    let mut rows = rows_between(radio, before, now);
    for row in &mut rows {
        let way = row
            .at_pct
            .and_then(|at_pct| way(measurement, surface, at_pct));
        if let Some(way) = way {
            row.what = format!("{}, {way}", row.what);
        }
    }
    rows
}

/// All numbers of one servo, beside earlier ones.
pub fn rows_between(radio: Option<&Radio>, before: &Settings, now: &Settings) -> Vec<NumberRow> {
    let counting = Counting::of(radio);
    let sub_trims = [before.sub_trim_pct, now.sub_trim_pct];
    let mut rows = vec![row("sub-trim", None, sub_trims, |trim| {
        counting.shown(trim)
    })];
    for (side, end_pct) in [-100.0, 100.0].into_iter().enumerate() {
        let what = format!("end point at {}", counting.position(end_pct));
        let numbers = [before.end_points_pct[side], now.end_points_pct[side]];
        rows.push(row(&what, Some(end_pct), numbers, |end| {
            counting.shown_unsigned(end)
        }));
    }
    let positions = radio
        .and_then(|radio| radio.curve_points_pct.as_deref())
        .unwrap_or_default();
    for (index, &typed_pct) in now.curve_pct.iter().enumerate() {
        let position_pct = positions.get(index).copied();
        let nothing_pct = radio
            .zip(position_pct)
            .map_or(0.0, |(radio, position_pct)| {
                radio.typed_pct(position_pct, 0.0)
            });
        let was_pct = before.curve_pct.get(index).copied().unwrap_or(nothing_pct);
        let what = position_pct.map_or_else(
            || format!("curve point {}", index + 1),
            |position_pct| format!("curve point at {}", counting.position(position_pct)),
        );
        let at_pct = position_pct.filter(|position_pct| *position_pct != 0.0);
        rows.push(row(&what, at_pct, [was_pct, typed_pct], |typed| {
            counting.shown(typed)
        }));
    }
    rows
}

fn row(
    what: &str,
    at_pct: Option<f64>,
    numbers: [f64; 2],
    shown: impl Fn(f64) -> String,
) -> NumberRow {
    let [before, now] = numbers;
    NumberRow {
        what: what.into(),
        at_pct,
        before: shown(before),
        now: shown(now),
        changed: (before - now).abs() > SAME_PCT,
    }
}

/// Other names of the settings, since radios differ.
pub const OTHER_NAMES: &str =
    "Some radios call sub-trim centre or trim, and end points limits or travel.";

/// Meaning of a curve point's number, for the head of the numbers.
pub fn curve_kind(radio: Option<&Radio>) -> Option<&'static str> {
    let radio = radio.filter(|radio| radio.curve_points_pct.is_some())?;
    Some(match radio.curve_shows {
        CurveShows::Added => {
            "a curve point shows the addition at its position, 0 if nothing is entered"
        }
        CurveShows::Output => {
            "a curve point shows the output at its position, the position itself if nothing is entered"
        }
    })
}

/// Which way a surface goes where a number of its servo acts; `None` where it was not measured there.
fn way(measurement: &Measurement, surface: &str, at_pct: f64) -> Option<&'static str> {
    let is_reversed =
        (measurement.radio.as_ref()).is_some_and(|radio| radio.reversed.contains(surface));
    let stick_pct = if is_reversed { -at_pct } else { at_pct };
    let record = record(measurement, surface)?;
    let stood = outermost(record, stick_pct)?;
    Some(way_word(record, stood.deflection_deg.value))
}

fn record<'a>(measurement: &'a Measurement, surface: &str) -> Option<&'a SurfaceRecord> {
    let mut surfaces = measurement.surfaces.iter();
    surfaces.find(|record| record.name == surface)
}

/// The station farthest out on the side of a stick position.
fn outermost(record: &SurfaceRecord, stick_pct: f64) -> Option<&StationDeflection> {
    let on_side = |station: &&StationDeflection| station.stick_pct * stick_pct > 0.0;
    let stations = record.stations.iter().filter(on_side);
    stations.max_by(|a, b| a.stick_pct.abs().total_cmp(&b.stick_pct.abs()))
}

fn way_word(record: &SurfaceRecord, deflection_deg: f64) -> &'static str {
    match (record.upright, deflection_deg > 0.0) {
        (false, true) => "trailing edge up",
        (false, false) => "trailing edge down",
        (true, true) => "trailing edge left",
        (true, false) => "trailing edge right",
    }
}

/// Direction of both trailing edges at the upper end of the stick, for checking the declared
/// stations.
pub fn sense_sentence(measurement: &Measurement, correction: &Correction) -> Option<String> {
    let upper = |surface: &str| {
        let record = record(measurement, surface)?;
        let station = outermost(record, 1.0)?;
        let way = way_word(record, station.deflection_deg.value);
        let word = way.trim_start_matches("trailing edge ").to_uppercase();
        Some((station.stick_pct, word))
    };
    let follower = upper(&correction.follower)?;
    let at = percent(follower.0);
    let one = |surface: &str, word: &str| format!("the trailing edge of the {surface} was {word}");
    let found = match upper(&correction.reference) {
        Some(reference) if reference == follower => {
            format!("both trailing edges were {}", follower.1)
        }
        Some(reference) if reference.0 == follower.0 => format!(
            "{}, and {}",
            one(&correction.reference, &reference.1),
            one(&correction.follower, &follower.1)
        ),
        _ => one(&correction.follower, &follower.1),
    };
    Some(format!(
        "At {at} % {found}. If your aircraft moves the other way, the stick positions in the model \
         file have the wrong sign."
    ))
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
                "end point at −100, trailing edge down",
                "end point at +100, trailing edge up",
                "curve point at −75, trailing edge down",
                "curve point at +25, trailing edge up",
                "curve point at +50, trailing edge up",
                "curve point at +75, trailing edge up",
                "curve point at +100, trailing edge up",
            ]
        );
        let half = &rows[9];
        assert_eq!(half.what, "curve point at +50, trailing edge up");
        assert_eq!([&half.before, &half.now], ["−2", "+2"]);
    }

    #[test]
    fn a_radio_that_counts_in_microseconds_is_shown_in_them() {
        let mut measurement = heron();
        if let Some(radio) = &mut measurement.radio {
            radio.us_per_pct = Some(5.0);
        }
        let rows = number_rows(&measurement, &measurement.matches[0]);
        // By hand: 98 % are 490 µs and +2 % are +10 µs.
        assert_eq!(rows[1].what, "end point at −100 %, trailing edge down");
        assert_eq!([&rows[1].before, &rows[1].now], ["500", "490"]);
        let half = &rows[9];
        assert_eq!(half.what, "curve point at +50 %, trailing edge up");
        assert_eq!(half.now, "+10");
        // 13.12 µs, as kept in files: 2.624 %.
        let counting = Counting::of(measurement.radio.as_ref());
        assert_eq!(counting.shown(2.624), "+13.12");
    }

    #[test]
    fn a_radio_that_shows_outputs_gets_outputs_only() {
        let mut measurement = heron();
        if let Some(radio) = &mut measurement.radio {
            radio.curve_shows = CurveShows::Output;
            radio.active.clear();
        }
        let points = [-100.0, -75.0, -50.0, -25.0, 0.0, 25.0, 52.0, 75.0, 100.0];
        measurement.matches[0].settings.curve_pct = points.into();
        let rows = number_rows(&measurement, &measurement.matches[0]);
        let changed: Vec<&NumberRow> = rows[3..].iter().filter(|row| row.changed).collect();
        assert_eq!(changed.len(), 1);
        assert_eq!([&changed[0].before, &changed[0].now], ["+50", "+52"]);
    }

    #[test]
    fn the_sense_of_the_stations_can_be_checked() {
        let measurement = heron();
        let sentence = sense_sentence(&measurement, &measurement.matches[0]).unwrap();
        assert!(sentence.starts_with("At +100 % both trailing edges were UP. If"));
        assert!(sentence.ends_with("the stick positions in the model file have the wrong sign."));
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
