//! Tables by station.

use crate::matching::{Correction, StationMismatch};
use crate::measured::Measured;
use crate::measurement::SurfaceRecord;
use crate::report::figures::{percent, plain, signed_with_u};
use crate::stations::Approach;
use crate::stick;

/// One hold of one surface.
#[derive(Debug, Clone, PartialEq)]
pub struct StationRow {
    /// Stick position.
    pub stick: String,
    /// The way the stick came.
    pub approach: &'static str,
    /// Deflection ± u, degrees.
    pub deflection: String,
    /// Throw ± u, mm; empty without a chord.
    pub throw: String,
    /// Inclinometer's reading ± u, degrees; empty where it is not known.
    pub inclinometer: String,
    /// Time span, seconds.
    pub time: String,
    /// Frames used.
    pub frames: usize,
}

/// A surface's table.
#[derive(Debug, Clone, PartialEq)]
pub struct StationTable {
    /// Name of the surface.
    pub surface: String,
    /// Whether any row has a throw.
    pub has_throw: bool,
    /// Whether any row has an inclinometer's reading.
    pub has_inclinometer: bool,
    /// In time.
    pub rows: Vec<StationRow>,
}

/// The table of one surface.
pub fn station_table(surface: &SurfaceRecord) -> StationTable {
    let stations = &surface.stations;
    StationTable {
        surface: surface.name.clone(),
        has_throw: stations.iter().any(|station| station.throw_mm.is_some()),
        has_inclinometer: stations
            .iter()
            .any(|station| station.inclinometer_deg.is_some()),
        rows: stations
            .iter()
            .map(|station| StationRow {
                stick: percent(station.stick_pct),
                approach: approach_word(station.approach),
                deflection: signed_with_u(station.deflection_deg),
                throw: station.throw_mm.map_or_else(String::new, signed_with_u),
                inclinometer: station
                    .inclinometer_deg
                    .map_or_else(String::new, signed_with_u),
                time: station.time_s.map(|time_s| plain(time_s, 1)).join("–"),
                frames: station.frames,
            })
            .collect(),
    }
}

/// The way the stick came, in a word.
pub fn approach_word(approach: Approach) -> &'static str {
    match approach {
        Approach::Rising => "rising",
        Approach::Falling => "falling",
        Approach::First => "first",
    }
}

/// Mismatch at one station.
#[derive(Debug, Clone, PartialEq)]
pub struct MismatchRow {
    /// Stick position.
    pub stick: String,
    /// As found ± u, degrees.
    pub found: String,
    /// As predicted ± u, degrees.
    pub predicted: String,
    /// Whether the mismatch found is beyond the tolerance.
    pub beyond: bool,
    /// Whether the predicted one is.
    pub predicted_beyond: bool,
}

/// Found beside predicted with the numbers that come first, by rising stick.
pub fn mismatch_rows(correction: &Correction, tolerance_deg: Option<f64>) -> Vec<MismatchRow> {
    let predicted = correction.leaves().stations;
    let mut found: Vec<&StationMismatch> = correction.found_deg.iter().collect();
    found.sort_by(|a, b| a.stick_pct.total_cmp(&b.stick_pct));
    let is_beyond = |mismatch_deg: Measured| {
        tolerance_deg.is_some_and(|tolerance_deg| mismatch_deg.value.abs() > tolerance_deg)
    };
    found
        .into_iter()
        .map(|station| {
            let predicted_deg = predicted
                .iter()
                .find(|other| stick::is_same(other.stick_pct, station.stick_pct))
                .map(|other| other.mismatch_deg);
            MismatchRow {
                stick: percent(station.stick_pct),
                found: signed_with_u(station.mismatch_deg),
                predicted: predicted_deg.map_or_else(|| "–".into(), signed_with_u),
                beyond: is_beyond(station.mismatch_deg),
                predicted_beyond: predicted_deg.is_some_and(is_beyond),
            }
        })
        .collect()
}
