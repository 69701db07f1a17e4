//! Reads what the radio accepts and what was entered in it.

use std::collections::BTreeMap;

use toml::Spanned;

use super::book::Names;
use super::read::Reader;
use super::read_stations::STICK_LIMITS;
use super::{Joins, ModelFault, Radio, Settings};
use crate::table_reader::Limits;

/// Steps in which a radio can count.
const STEP_LIMITS: Limits = Limits::new(0.01, 50.0, "%");
/// Outputs that a radio can be limited to.
const OUTPUT_LIMITS: Limits = Limits::new(1.0, 300.0, "%");
/// Step of a radio whose step is not told: the coarsest in use (common practice, no source), so
/// that the numbers can be entered whatever the radio.
const DEFAULT_STEP_PCT: f64 = 1.0;
/// Limit of a radio whose limit is not told: what nearly every radio accepts (common practice, no
/// source).
const DEFAULT_LIMIT_PCT: f64 = 150.0;

/// Fewest points that make a curve.
const FEWEST_CURVE_POINTS: usize = 2;

/// Reads `[radio]`.
pub(super) fn radio(mut table: Reader<'_>, names: &Names) -> Option<Radio> {
    let points = table.optional_numbers("curve_points_pct", STICK_LIMITS);
    if let Some(points) = &points {
        check_points(&table, points);
    }
    let step_pct = table.optional_number("step_pct", STEP_LIMITS);
    let limit_pct = table.optional_number("limit_pct", OUTPUT_LIMITS);
    let joins = [("straight", Joins::Straight), ("smooth", Joins::Smooth)];
    let joins = table.optional_choice("joins", &joins);
    let limit_pct = limit_pct.map_or(DEFAULT_LIMIT_PCT, Spanned::into_inner);
    // A curve whose points are at fault has no length that others could be judged by.
    let curve_length = match &points {
        Some(points) => Some(points.get_ref().len()),
        None if table.has("curve_points_pct") => None,
        None => Some(0),
    };
    let mut active = BTreeMap::new();
    if let Some(mut settings) = table.optional_table("active") {
        for (name, entry) in settings.inner_tables() {
            names.check(settings.faults(), "active surface", &name);
            if let Some(entry) = active_settings(entry, curve_length, limit_pct) {
                active.insert(name.into_inner(), entry);
            }
        }
    }
    table.finish();
    Some(Radio {
        curve_points_pct: points.map(Spanned::into_inner),
        step_pct: step_pct.map_or(DEFAULT_STEP_PCT, Spanned::into_inner),
        limit_pct,
        joins: joins.unwrap_or(Joins::Straight),
        active,
    })
}

fn check_points(table: &Reader<'_>, points: &Spanned<Vec<f64>>) {
    let key = "curve_points_pct";
    let count = points.get_ref().len();
    if count < FEWEST_CURVE_POINTS {
        let least = FEWEST_CURVE_POINTS;
        table.fault(points, ModelFault::TooFew { key, count, least });
    }
    let falling = points.get_ref().windows(2).find(|pair| pair[0] >= pair[1]);
    if let Some(&[before, after]) = falling {
        table.fault(points, ModelFault::NotRising { key, before, after });
    }
}

/// What was entered for one surface; `curve_length` is `None` where it cannot be told.
fn active_settings(
    mut table: Reader<'_>,
    curve_length: Option<usize>,
    limit_pct: f64,
) -> Option<Settings> {
    let output = Limits::new(-limit_pct, limit_pct, "%");
    let end_point = Limits::new(0.0, limit_pct, "%");
    let curve = table.optional_numbers("curve_pct", output);
    if let (Some(curve), Some(points)) = (&curve, curve_length) {
        let count = curve.get_ref().len();
        if count != points {
            table.fault(curve, ModelFault::CurveLength { count, points });
        }
    }
    let sub_trim = table.optional_number("sub_trim_pct", output);
    let end_points = table.optional_numbers("end_points_pct", end_point);
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
            None => vec![0.0; curve_length?],
        },
        sub_trim_pct: sub_trim.map_or(0.0, Spanned::into_inner),
        end_points_pct: end_points_pct?,
    })
}
