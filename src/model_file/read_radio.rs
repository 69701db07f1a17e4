//! Reads what the radio accepts and what was entered in it, in percent or in microseconds.

use std::collections::{BTreeMap, BTreeSet};

use toml::Spanned;

use super::book::Names;
use super::fields::Reader;
use super::radio::{
    DEFAULT_CURVE_LIMIT_PCT, DEFAULT_LIMIT_PCT, DEFAULT_STEP_PCT, MOST_CURVE_POINTS,
};
use super::read_stations::STICK_LIMITS;
use super::{CurveShows, EndPoints, Joins, ModelFault, Radio, Settings};
use crate::table_reader::Limits;

/// Steps in which a radio can count.
const STEP_LIMITS: Limits = Limits::new(0.01, 50.0, "%");
/// Outputs that a radio can be limited to.
const OUTPUT_LIMITS: Limits = Limits::new(1.0, 300.0, "%");
/// Pulse lengths that one percent can stand for.
const US_PER_PCT_LIMITS: Limits = Limits::new(1.0, 20.0, "µs");
/// Default pulse length of one percent: 1000 to 2000 µs for −100 to +100 % (common
/// practice, no source).
const DEFAULT_US_PER_PCT: f64 = 5.0;

/// Fewest points that make a curve.
const FEWEST_CURVE_POINTS: usize = 2;

/// A key in percent, and its equivalent in microseconds.
type Keys = [&'static str; 2];

const CURVE_POINTS: Keys = ["curve_points_pct", "curve_points_us"];
const STEP: Keys = ["step_pct", "step_us"];
const LIMIT: Keys = ["limit_pct", "limit_us"];
const CURVE_LIMIT: Keys = ["curve_limit_pct", "curve_limit_us"];
const CURVE: Keys = ["curve_pct", "curve_us"];
const SUB_TRIM: Keys = ["sub_trim_pct", "sub_trim_us"];
const END_POINTS: Keys = ["end_points_pct", "end_points_us"];

/// In what the radio counts.
#[derive(Clone, Copy, PartialEq)]
enum Unit {
    Percent,
    Microseconds,
}

/// The unit of a radio's numbers.
#[derive(Clone, Copy)]
struct Counting {
    /// Microseconds for one percent; `None` where the radio counts in percent.
    us_per_pct: Option<f64>,
}

impl Counting {
    fn read(table: &mut Reader<'_>) -> Self {
        let units = [
            ("percent", Unit::Percent),
            ("microseconds", Unit::Microseconds),
        ];
        let unit = table.optional_choice("unit", &units);
        let given = table.optional_number("us_per_pct", US_PER_PCT_LIMITS);
        if let (Some(given), None | Some(Unit::Percent)) = (&given, unit) {
            let key = "us_per_pct";
            table.fault(given, ModelFault::NotInMicroseconds { key });
        }
        let us_per_pct = given.map_or(DEFAULT_US_PER_PCT, Spanned::into_inner);
        Self {
            us_per_pct: (unit == Some(Unit::Microseconds)).then_some(us_per_pct),
        }
    }

    /// Numbers under either of two keys, in percent.
    fn numbers(
        self,
        table: &mut Reader<'_>,
        keys: Keys,
        limits_pct: Limits,
    ) -> Option<Spanned<Vec<f64>>> {
        let in_percent = table.optional_numbers(keys[0], limits_pct);
        let scale = self.us_per_pct.unwrap_or(DEFAULT_US_PER_PCT);
        let in_us = table.optional_numbers(keys[1], limits_pct.scaled(scale, "µs"));
        self.check(table, keys, in_us.as_ref());
        let in_us = in_us.map(|given| {
            let pct = given.get_ref().iter().map(|us| us / scale).collect();
            Spanned::new(given.span(), pct)
        });
        in_percent.or(in_us)
    }

    /// A number under either of two keys, in percent.
    fn number(self, table: &mut Reader<'_>, keys: Keys, limits_pct: Limits) -> Option<f64> {
        let in_percent = table.optional_number(keys[0], limits_pct);
        let scale = self.us_per_pct.unwrap_or(DEFAULT_US_PER_PCT);
        let in_us = table.optional_number(keys[1], limits_pct.scaled(scale, "µs"));
        self.check(table, keys, in_us.as_ref());
        in_percent
            .map(Spanned::into_inner)
            .or(in_us.map(|given| given.into_inner() / scale))
    }

    /// Rejects microseconds for a radio that uses percent, and values given in both.
    fn check<T>(self, table: &Reader<'_>, keys: Keys, in_us: Option<&Spanned<T>>) {
        let Some(given) = in_us else { return };
        let [in_percent, key] = keys;
        if self.us_per_pct.is_none() {
            table.fault(given, ModelFault::NotInMicroseconds { key });
        } else if table.has(in_percent) {
            table.fault(given, ModelFault::GivenTwice { key, in_percent });
        }
    }
}

/// Reads `[radio]`.
pub(super) fn radio(mut table: Reader<'_>, names: &Names) -> Option<Radio> {
    let counting = Counting::read(&mut table);
    let points = counting.numbers(&mut table, CURVE_POINTS, STICK_LIMITS);
    if let Some(points) = &points {
        check_points(&table, points);
    }
    let shows = [("added", CurveShows::Added), ("output", CurveShows::Output)];
    let curve_shows = table.optional_choice("curve_shows", &shows);
    let curve_limit_pct = counting.number(&mut table, CURVE_LIMIT, OUTPUT_LIMITS);
    let orders = [("after", EndPoints::After), ("before", EndPoints::Before)];
    let end_points = table.optional_choice("end_points", &orders);
    let step_pct = counting.number(&mut table, STEP, STEP_LIMITS);
    let limit_pct = counting.number(&mut table, LIMIT, OUTPUT_LIMITS);
    let joins = [("straight", Joins::Straight), ("smooth", Joins::Smooth)];
    let joins = table.optional_choice("joins", &joins);
    let are_known = points.is_some() || !CURVE_POINTS.iter().any(|key| table.has(key));
    let mut radio = Radio {
        curve_points_pct: points.map(Spanned::into_inner),
        curve_shows: curve_shows.unwrap_or_default(),
        curve_limit_pct: curve_limit_pct.unwrap_or(DEFAULT_CURVE_LIMIT_PCT),
        end_points: end_points.unwrap_or_default(),
        step_pct: step_pct.unwrap_or(DEFAULT_STEP_PCT),
        limit_pct: limit_pct.unwrap_or(DEFAULT_LIMIT_PCT),
        joins: joins.unwrap_or(Joins::Straight),
        us_per_pct: counting.us_per_pct,
        active: BTreeMap::new(),
        proposed_in: None,
        reversed: BTreeSet::new(),
    };
    let (mut active, mut reversed) = (BTreeMap::new(), BTreeSet::new());
    if let Some(mut settings) = table.optional_table("active") {
        for (name, mut entry) in settings.inner_tables() {
            names.check(settings.faults(), "active surface", &name);
            let inputs = [("direct", false), ("reversed", true)];
            if entry.optional_choice("input", &inputs) == Some(true) {
                reversed.insert(name.get_ref().clone());
            }
            // A curve whose points are at fault has no length that others could be judged by.
            let known = are_known.then_some(&radio);
            if let Some(entry) = active_settings(entry, counting, (known, radio.limit_pct)) {
                active.insert(name.into_inner(), entry);
            }
        }
    }
    table.finish();
    (radio.active, radio.reversed) = (active, reversed);
    Some(radio)
}

fn check_points(table: &Reader<'_>, points: &Spanned<Vec<f64>>) {
    let key = "curve_points_pct";
    let count = points.get_ref().len();
    if count < FEWEST_CURVE_POINTS {
        let least = FEWEST_CURVE_POINTS;
        table.fault(points, ModelFault::TooFew { key, count, least });
    }
    if count > MOST_CURVE_POINTS {
        let most = MOST_CURVE_POINTS;
        table.fault(points, ModelFault::TooMany { key, count, most });
    }
    let falling = points.get_ref().windows(2).find(|pair| pair[0] >= pair[1]);
    if let Some(&[before, after]) = falling {
        table.fault(points, ModelFault::NotRising { key, before, after });
    }
}

/// What was entered for one surface; the radio is `None` where its curve is at fault.
fn active_settings(
    mut table: Reader<'_>,
    counting: Counting,
    (radio, limit_pct): (Option<&Radio>, f64),
) -> Option<Settings> {
    let output = Limits::new(-limit_pct, limit_pct, "%");
    let end_point = Limits::new(0.0, limit_pct, "%");
    let curve = counting.numbers(&mut table, CURVE, output);
    if let (Some(curve), Some(radio)) = (&curve, radio) {
        check_curve(&table, curve, radio);
    }
    let sub_trim_pct = counting.number(&mut table, SUB_TRIM, output);
    let end_points = counting.numbers(&mut table, END_POINTS, end_point);
    let end_points_pct = match &end_points {
        None => Some([100.0, 100.0]),
        Some(ends) => <[f64; 2]>::try_from(ends.get_ref().as_slice()).ok(),
    };
    if let (Some(ends), None) = (&end_points, end_points_pct) {
        let count = ends.get_ref().len();
        table.fault(ends, ModelFault::NotTwoEnds { count });
    }
    table.finish();
    Some(Settings {
        curve_pct: match curve {
            Some(curve) => curve.into_inner(),
            None => radio?.untouched().curve_pct,
        },
        sub_trim_pct: sub_trim_pct.unwrap_or(0.0),
        end_points_pct: end_points_pct?,
    })
}

/// Checks that a curve has the radio's points, and is of the kind that its curve page shows.
fn check_curve(table: &Reader<'_>, curve: &Spanned<Vec<f64>>, radio: &Radio) {
    let points = radio.curve_points_pct.as_deref().unwrap_or_default();
    let count = curve.get_ref().len();
    if count != points.len() {
        let points = points.len();
        table.fault(curve, ModelFault::CurveLength { count, points });
        return;
    }
    // Additions are small; outputs lie near the points' own positions.
    let from_zero: f64 = curve.get_ref().iter().map(|typed| typed.abs()).sum();
    let apart = |(point, typed): (&f64, &f64)| (point - typed).abs();
    let from_points: f64 = points.iter().zip(curve.get_ref()).map(apart).sum();
    let are_outputs = radio.curve_shows == CurveShows::Output;
    if from_zero > 0.0 && are_outputs != (from_points < from_zero)
        || are_outputs && from_zero == 0.0
    {
        let key = CURVE[0];
        table.fault(curve, ModelFault::OtherKindOfCurve { key, are_outputs });
    }
}
