//! Reads `measurement.json` and rejects inconsistent files.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::Value;

use super::{FILE_NAME, FORMAT, Measurement, MeasurementError, VERSION};
use crate::bounded_file;
use crate::model_file::MOST_CURVE_POINTS;
use crate::names;

/// Largest file that is read, bytes: several times that of ten minutes with 850 holds.
const MOST_BYTES: u64 = 256 << 20;

impl Measurement {
    /// Reads a kept measurement: its file, or the folder that `measure` wrote it to.
    pub fn read(path: &Path) -> Result<Self, MeasurementError> {
        let path = &match path.is_dir() {
            true => path.join(FILE_NAME),
            false => path.to_owned(),
        };
        let text = bounded_file::read_text(path, MOST_BYTES).map_err(|source| {
            MeasurementError::Unreadable {
                path: path.into(),
                source,
            }
        })?;
        Self::from_json(&text, path)
    }

    /// Takes a measurement from the text of `path`, which only errors name.
    pub fn from_json(text: &str, path: &Path) -> Result<Self, MeasurementError> {
        let damaged = |error: serde_json::Error| MeasurementError::Damaged {
            path: path.into(),
            line: error.line(),
            column: error.column(),
            reason: without_place(&error),
        };
        if !text.trim_start().starts_with('{') {
            return Err(MeasurementError::OtherFormat {
                path: path.into(),
                found: "no JSON".into(),
            });
        }
        // The kind comes first: a newer version may have other fields.
        let document: Value = serde_json::from_str(text).map_err(damaged)?;
        check_kind(&document, path)?;
        let measurement: Self = serde_json::from_str(text).map_err(damaged)?;
        match measurement.contradiction() {
            None => Ok(measurement),
            Some((place, reason)) => Err(MeasurementError::Contradiction {
                path: path.into(),
                place,
                reason,
            }),
        }
    }

    /// The first inconsistent part: where, and its fault.
    fn contradiction(&self) -> Option<(String, String)> {
        self.surface_contradiction()
            .or_else(|| self.name_contradiction())
            .or_else(|| self.covariance_contradiction())
            .or_else(|| self.neutral_contradiction())
            .or_else(|| self.level_contradiction())
            .or_else(|| self.radio_contradiction())
            .or_else(|| self.trace_contradiction())
    }

    fn surface_contradiction(&self) -> Option<(String, String)> {
        if names::is_too_long(&self.model) {
            return Some(("model".into(), "has a name of more than 100 letters".into()));
        }
        let mut known = BTreeSet::new();
        for surface in &self.surfaces {
            if names::is_too_long(&surface.name) {
                let place = "surfaces".into();
                return Some((place, "have a name of more than 100 letters".into()));
            }
            let place = format!("surface \"{}\"", surface.name);
            if !known.insert(&surface.name) {
                return Some((place, "is listed twice".into()));
            }
            for station in &surface.stations {
                let at = format!("{place}, station {} %,", station.stick_pct);
                if station.deflection_deg.sd < 0.0 {
                    return Some((at, "has a negative uncertainty".into()));
                }
                if station.time_s[1] < station.time_s[0] {
                    return Some((at, "ends before it begins".into()));
                }
            }
        }
        None
    }

    fn name_contradiction(&self) -> Option<(String, String)> {
        let in_groups = self.groups.iter().flat_map(|group| {
            std::iter::once(("groups", &group.reference))
                .chain(group.followers.iter().map(|name| ("groups", name)))
        });
        // A target of its own is named in place of a surface.
        let in_matches = self.matches.iter().flat_map(|correction| {
            let reference = correction.target.is_reference();
            let reference = reference.then_some(&correction.reference);
            let names = reference.into_iter().chain([&correction.follower]);
            names.map(|name| ("matches", name))
        });
        let in_functions = self.functions.iter().flat_map(|function| {
            let surfaces = function.surfaces.iter();
            surfaces.map(|name| ("functions", name))
        });
        in_groups
            .chain(in_matches)
            .chain(in_functions)
            .find(|(_, name)| self.surface(name).is_none())
            .map(|(place, name)| {
                (
                    place.into(),
                    format!("name \"{name}\", which is no surface"),
                )
            })
    }

    fn covariance_contradiction(&self) -> Option<(String, String)> {
        let rows = &self.station_covariance_deg2;
        let stations: usize = self
            .surfaces
            .iter()
            .map(|surface| surface.stations.len())
            .sum();
        let fits = rows.len() == stations && rows.iter().all(|row| row.len() == stations);
        (!rows.is_empty() && !fits).then(|| {
            (
                "station_covariance_deg2".into(),
                format!("is not {stations} × {stations}, one row a station"),
            )
        })
    }

    fn neutral_contradiction(&self) -> Option<(String, String)> {
        let mut records = self.neutral_records();
        let is_broken = records.any(|record| record.tags_at_neutral().is_none());
        is_broken.then(|| {
            (
                "neutral".into(),
                "is inconsistent: each tag may be listed once and needs a rotation, each surface \
                 a hinge, and the covariance as many rows and columns as they have figures"
                    .into(),
            )
        })
    }

    fn level_contradiction(&self) -> Option<(String, String)> {
        let level = self.level_zero.as_ref()?;
        let (count, rows) = (level.surfaces.len(), &level.covariance_deg2);
        let fits = rows.len() == count && rows.iter().all(|row| row.len() == count);
        (!fits).then(|| {
            (
                "level_zero".into(),
                format!("has a covariance that is not {count} × {count}, one row a surface"),
            )
        })
    }

    fn radio_contradiction(&self) -> Option<(String, String)> {
        let radio = self.radio.as_ref()?;
        let points = radio.curve_points_pct.as_deref().unwrap_or_default().len();
        if points > MOST_CURVE_POINTS {
            let fault =
                format!("has {points} curve points, and {MOST_CURVE_POINTS} at most are read");
            return Some(("radio".into(), fault));
        }
        radio
            .active
            .iter()
            .find(|(_, settings)| ![0, points].contains(&settings.curve_pct.len()))
            .map(|(name, settings)| {
                (
                    format!("radio.active.\"{name}\""),
                    format!(
                        "has {} curve points where the radio has {points}",
                        settings.curve_pct.len()
                    ),
                )
            })
    }

    fn trace_contradiction(&self) -> Option<(String, String)> {
        let points = self.trace.time_s.len();
        self.trace
            .deflection_deg
            .iter()
            .any(|row| row.len() != points)
            .then(|| {
                (
                    "trace".into(),
                    format!("has rows that are not {points} long, one figure a time"),
                )
            })
    }
}

fn check_kind(document: &Value, path: &Path) -> Result<(), MeasurementError> {
    let shown = |value: Option<&Value>| {
        value.map_or("missing".into(), |value| {
            names::shortened(&value.to_string())
        })
    };
    let format = document.get("format");
    if format.and_then(Value::as_str) != Some(FORMAT) {
        return Err(MeasurementError::OtherFormat {
            path: path.into(),
            found: shown(format),
        });
    }
    let version = document.get("version");
    if version.and_then(Value::as_u64) != Some(VERSION.into()) {
        return Err(MeasurementError::OtherVersion {
            path: path.into(),
            found: shown(version),
        });
    }
    Ok(())
}

/// The parser's words without its " at line … column …", which the error shows itself.
fn without_place(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let place = format!(" at line {} column {}", error.line(), error.column());
    names::shortened(text.strip_suffix(&place).unwrap_or(&text))
}
