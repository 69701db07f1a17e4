//! Record: the kept measurements of one aircraft, in time, and how they drift.
//!
//! A record is a folder beside the model file with one numbered folder a measurement. What is
//! kept is never rewritten.

mod neutral;
mod registration;
mod sources;

use std::path::{Path, PathBuf};

use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord, same_station};
use crate::model_file::{ModelFile, Settings};
use crate::response::StationDeflection;
use crate::stations::Approach;
pub use neutral::{NeutralChange, NeutralDrift, neutral_drifts};
pub use registration::{Registration, register};
pub use sources::{Source, never_measured, sources};

/// Digits of an entry's number: records sort by name up to 999 entries.
const NUMBER_DIGITS: usize = 3;

/// Largest number of an entry or a sheet. What is numbered higher is none of a record's, so that the next
/// number can always be counted.
pub const LARGEST_NUMBER: usize = 999_999;

/// One kept measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Name of its folder.
    pub name: String,
    /// What was measured.
    pub measurement: Measurement,
}

impl Kept {
    /// Its day, else the name of its entry: what it is called beside later measurements.
    pub fn day(&self) -> &str {
        self.measurement.date.as_deref().unwrap_or(&self.name)
    }
}

/// A measurement that does not belong to the record.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, miette::Diagnostic)]
pub enum RecordError {
    /// It is of another aircraft.
    #[error("the measurement is of \"{found}\", the model file of \"{model}\"")]
    #[diagnostic(help("use the measurements of this model, or the model file of that aircraft"))]
    OtherModel {
        /// Name in the model file.
        model: String,
        /// Name in the measurement.
        found: String,
    },
    /// It has none of the surfaces that the model file declares.
    #[error("the measurement has no surface of the model file")]
    #[diagnostic(help(
        "the record uses the names of surfaces: use the old name in the model file"
    ))]
    OtherSurfaces,
}

/// The record's folder, beside the model file and named after it.
pub fn record_folder(model_file: &Path) -> PathBuf {
    let stem = model_file.file_stem().unwrap_or_default();
    let mut name = stem.to_os_string();
    name.push("-record");
    model_file.with_file_name(name)
}

/// Whether a measurement belongs to the record of a model.
pub fn check(measurement: &Measurement, model: &ModelFile) -> Result<(), RecordError> {
    if measurement.model != model.name {
        return Err(RecordError::OtherModel {
            model: model.name.clone(),
            found: measurement.model.clone(),
        });
    }
    let is_known = model
        .surfaces
        .iter()
        .any(|surface| measurement.surface(&surface.name).is_some());
    if is_known {
        Ok(())
    } else {
        Err(RecordError::OtherSurfaces)
    }
}

/// The name of a new entry: its number, its day, and the clip it comes from.
pub fn entry_name(number: usize, measurement: &Measurement) -> String {
    let clip = Path::new(&measurement.clip.path)
        .file_stem()
        .map(|stem| stem.to_string_lossy().into_owned())
        .unwrap_or_default();
    let date = measurement.date.as_deref().unwrap_or("undated");
    let plain: String = format!("{date}-{clip}")
        .chars()
        .map(|letter| match letter {
            letter if letter.is_alphanumeric() => letter,
            '-' | '_' => letter,
            _ => '_',
        })
        .collect();
    format!("{number:0NUMBER_DIGITS$}-{plain}")
}

/// The number in an entry's name.
pub fn entry_number(name: &str) -> Option<usize> {
    let number = name.split('-').next()?.parse().ok()?;
    (number <= LARGEST_NUMBER).then_some(number)
}

/// The latest first: by day, then by number.
pub fn latest_first(kept: &mut [Kept]) {
    kept.sort_by(|a, b| {
        let key = |kept: &Kept| (kept.measurement.date.clone(), entry_number(&kept.name));
        key(b).cmp(&key(a))
    });
}

/// How one surface changed since an earlier measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Day of the earlier measurement, else the name of its entry.
    pub since: String,
    /// The surface.
    pub surface: String,
    /// The station at which it changed most.
    pub stick_pct: f64,
    /// Later minus earlier deflection there, the mean over the sides from which both came to it.
    pub change_deg: Measured,
    /// Whether other numbers were entered for it in between, which explains a change.
    pub numbers_changed: bool,
}

impl Drift {
    /// Whether the change is larger than its doubt.
    pub fn is_sure(&self) -> bool {
        self.change_deg.value.abs() > self.change_deg.u()
    }
}

/// The largest change of every surface since every earlier measurement that came to a station from
/// the same side, in the same function.
///
/// Each measurement counts from its own neutral, so a shift of neutral itself is not seen here but
/// in [`neutral_drifts`].
pub fn drifts(latest: &Measurement, earlier: &[Kept]) -> Vec<Drift> {
    earlier
        .iter()
        .flat_map(|kept| {
            let before = &kept.measurement;
            let same_function =
                |surface: &&SurfaceRecord| latest.same_function(before, &surface.name);
            let surfaces = latest.surfaces.iter().filter(same_function);
            surfaces.filter_map(move |surface| {
                let (stick_pct, change_deg) =
                    largest_change(surface, before.surface(&surface.name)?)?;
                Some(Drift {
                    since: kept.day().into(),
                    surface: surface.name.clone(),
                    stick_pct,
                    change_deg,
                    numbers_changed: active(latest, &surface.name) != active(before, &surface.name),
                })
            })
        })
        .collect()
}

/// The numbers that were entered for a surface while it was measured.
pub fn active(measurement: &Measurement, surface: &str) -> Option<Settings> {
    measurement.radio.as_ref()?.active.get(surface).cloned()
}

/// The change at the station where it is largest.
///
/// Play puts a surface elsewhere by the side that the stick comes from, so visits are compared with
/// visits from the same side. `None` where the two have no such visits.
fn largest_change(later: &SurfaceRecord, earlier: &SurfaceRecord) -> Option<(f64, Measured)> {
    let same_place = |a: &Visit, b: &Visit| same_station(a.stick_pct, b.stick_pct);
    let same_side = |a: &Visit, b: &Visit| same_place(a, b) && a.approach == b.approach;
    let before = means(visits(earlier), same_side);
    let changes = means(visits(later), same_side)
        .into_iter()
        .filter_map(|(visit, now)| {
            let (_, then) = before.iter().find(|(then, _)| same_side(then, &visit))?;
            let sd = now.sd.hypot(then.sd);
            Some((visit, Measured::new(now.value - then.value, sd)))
        });
    means(changes, same_place)
        .into_iter()
        .map(|(visit, change)| (visit.stick_pct, change))
        .max_by(|(_, a), (_, b)| a.value.abs().total_cmp(&b.value.abs()))
}

/// Where the stick rested, and the way it had come.
#[derive(Debug, Clone, Copy)]
struct Visit {
    stick_pct: f64,
    approach: Approach,
}

/// All visits but a clip's first, whose side is not known.
fn visits(surface: &SurfaceRecord) -> impl Iterator<Item = (Visit, Measured)> {
    let known = |station: &&StationDeflection| station.approach != Approach::First;
    surface.stations.iter().filter(known).map(|station| {
        let visit = Visit {
            stick_pct: station.stick_pct,
            approach: station.approach,
        };
        (visit, station.deflection_deg)
    })
}

/// The mean over all visits that are the same. Errors of holds in one clip go together, so its
/// standard deviation is not taken smaller than their own.
fn means(
    values: impl Iterator<Item = (Visit, Measured)>,
    same: impl Fn(&Visit, &Visit) -> bool,
) -> Vec<(Visit, Measured)> {
    let mut groups: Vec<(Visit, Vec<Measured>)> = Vec::new();
    for (visit, value) in values {
        match groups.iter_mut().find(|(first, _)| same(first, &visit)) {
            Some((_, group)) => group.push(value),
            None => groups.push((visit, vec![value])),
        }
    }
    groups
        .into_iter()
        .map(|(visit, group)| {
            let share = 1.0 / group.len() as f64;
            let value = group.iter().map(|value| value.value * share).sum();
            let sd = group.iter().map(|value| value.sd * share).sum();
            (visit, Measured::new(value, sd))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{LEFT, RIGHT, heron, heron_after};

    fn kept(name: &str, measurement: Measurement) -> Kept {
        Kept {
            name: name.into(),
            measurement,
        }
    }

    #[test]
    fn entries_are_named_by_number_day_and_clip() {
        let mut measurement = heron();
        assert_eq!(entry_name(7, &measurement), "007-2026-11-25-heron_tail");
        measurement.clip.path = "../a b/c:d.mp4".into();
        measurement.date = None;
        assert_eq!(entry_name(12, &measurement), "012-undated-c_d");
        assert_eq!(entry_number("012-undated-c_d"), Some(12));
        assert_eq!(entry_number("setup-001.html"), None);
        assert_eq!(entry_number("18446744073709551615-x"), None);
    }

    #[test]
    fn the_record_lies_beside_the_model_file() {
        let folder = record_folder(Path::new("models/heron.toml"));
        assert_eq!(folder, Path::new("models/heron-record"));
    }

    #[test]
    fn the_latest_measurement_comes_first() {
        let mut all = [
            kept("002-x", heron()),
            kept("001-x", heron_after()),
            kept("003-x", heron()),
        ];
        latest_first(&mut all);
        let names = all.each_ref().map(|kept| kept.name.as_str());
        assert_eq!(names, ["001-x", "003-x", "002-x"]);
    }

    #[test]
    fn drift_is_told_with_its_doubt_and_what_explains_it() {
        let drifts = drifts(&heron_after(), &[kept("001-x", heron())]);
        let [left, right] = &drifts[..] else {
            panic!("one entry a surface: {drifts:?}");
        };
        assert_eq!([&left.surface, &right.surface], [LEFT, RIGHT]);
        assert!(!left.is_sure() && !left.numbers_changed);
        assert!(right.is_sure() && right.numbers_changed);
        // The sample's right side moves 4 % further, most of all at −100 %: −27.9° · 4 %.
        assert_eq!(right.stick_pct, -100.0);
        assert!((right.change_deg.value + 1.117).abs() < 0.01);
        // Two independent clips of ±0.03° each.
        assert!((right.change_deg.u() - 0.03 * 2f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn play_is_no_drift_where_stations_were_come_to_from_other_sides() {
        // The sample's left side has a play of 0.1°. The earlier clip saw stations from one side only.
        let mut before = heron();
        let left = &mut before.surfaces[0];
        assert_eq!(left.name, LEFT);
        left.stations
            .retain(|station| station.approach == Approach::Falling);
        let drifts = drifts(&heron(), &[kept("001-x", before)]);
        assert_eq!(drifts[0].surface, LEFT);
        assert!(drifts[0].change_deg.value.abs() < 1e-9, "{drifts:?}");
    }
}
