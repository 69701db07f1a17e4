//! Record: the kept measurements of one aircraft, in time, and how they drift.
//!
//! A record is a folder beside the model file with one numbered folder a measurement. What is
//! kept is never rewritten.

mod neutral;
mod sources;
mod throws;

use std::path::{Path, PathBuf};

use crate::measurement::Measurement;
use crate::model_file::{ModelFile, Settings};
use crate::names;
pub use crate::registration::{Registration, register};
pub use neutral::{NeutralChange, NeutralDrift, neutral_against_latest, neutral_drifts};
pub use sources::{Source, never_measured, sources};
pub use throws::{Drift, drifts};

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
    /// Its day with the number of its entry, else the name of its entry: what it is called beside later
    /// measurements.
    pub fn day(&self) -> String {
        match (&self.measurement.date, entry_number(&self.name)) {
            (Some(date), Some(number)) => format!("{date} (entry {number})"),
            _ => self.name.clone(),
        }
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
    let clip = names::of_file(Path::new(&measurement.clip.path));
    let date = measurement.date.as_deref().unwrap_or("undated");
    let plain = names::plain_letters(&format!("{date}-{clip}").replace('.', "_"));
    format!("{number:0NUMBER_DIGITS$}-{plain}")
}

/// The number in an entry's name.
pub fn entry_number(name: &str) -> Option<usize> {
    let number = name.split('-').next()?.parse().ok()?;
    (number <= LARGEST_NUMBER).then_some(number)
}

/// The name of a setup sheet in the record's folder.
pub fn sheet_name(number: usize) -> String {
    format!("setup-{number:0NUMBER_DIGITS$}.html")
}

/// The number in a setup sheet's name; the largest is the latest.
pub fn sheet_number(name: &str) -> Option<usize> {
    let number = name.strip_prefix("setup-")?.strip_suffix(".html")?;
    let number = number.parse().ok()?;
    (number <= LARGEST_NUMBER).then_some(number)
}

/// The latest first: by day, then by number.
pub fn latest_first(kept: &mut [Kept]) {
    kept.sort_by(|a, b| {
        let key = |kept: &Kept| (kept.measurement.date.clone(), entry_number(&kept.name));
        key(b).cmp(&key(a))
    });
}

/// The numbers that were entered for a surface while it was measured.
pub fn active(measurement: &Measurement, surface: &str) -> Option<Settings> {
    measurement.radio.as_ref()?.active.get(surface).cloned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{heron, heron_after};

    pub(in crate::record) fn kept(name: &str, measurement: Measurement) -> Kept {
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
}
