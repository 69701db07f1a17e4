//! Functions of a clip in the record: which surfaces they measured, and which were not measured.

use serde::{Deserialize, Serialize};

use super::{Measurement, NeutralRecord};
use crate::functions::Missing;
use crate::model_file::{Function, MatchGroup, ModelFile, groups_among};
use crate::response::{LevelZero, append_block};
use crate::stations::LogTiming;

/// A function that the clip shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FunctionRecord {
    /// Its name in the model file.
    pub name: String,
    /// Its measured surfaces.
    pub surfaces: Vec<String>,
    /// Where its tags are at neutral, in a clip of several functions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub neutral: Option<NeutralRecord>,
    /// Alignment of the stick log with the clip's time, in a clip of several functions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stick_log: Option<LogTiming>,
}

/// A declared surface that the clip does not measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotMeasured {
    /// Its name.
    pub surface: String,
    /// Stable, kebab-case name of the reason: `not-filmed`, `too-few-frames`, `not-moved`,
    /// `no-hinge`, `hinge-poor`, `fits-nowhere`, `no-stations` or `not-chosen`.
    pub reason: String,
    /// The reason in words.
    pub text: String,
    /// How to measure it.
    pub help: String,
    /// Undeclared tags that the clip shows in place of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tags_instead: Vec<u32>,
    /// Measured surfaces that it would have been matched with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unmatched_with: Vec<String>,
}

impl NotMeasured {
    /// The reason of surfaces that move, but whose stick positions were not found.
    pub const NO_STATIONS: &str = "no-stations";

    /// Whether the clip was to judge it against another surface.
    pub fn is_missed(&self) -> bool {
        self.reason == Self::NO_STATIONS || !self.unmatched_with.is_empty()
    }

    /// The reason in a few words, without figures.
    pub fn words(&self) -> &'static str {
        match self.reason.as_str() {
            "not-filmed" if !self.tags_instead.is_empty() => {
                "another tag was seen instead of its own"
            }
            "not-filmed" => "not in the picture",
            "too-few-frames" => "seen in too few frames",
            "not-moved" => "did not move",
            "no-hinge" => "its tag does not turn about a hinge line",
            "hinge-poor" => "its hinge line is too uncertain",
            Self::NO_STATIONS => "its stick positions were not found",
            "not-chosen" => "its function was not chosen",
            _ => "its tag does not fit the others",
        }
    }

    /// The cost: the sides that are not matched, as a sentence; nothing where there are none.
    pub fn unmatched_sentence(&self) -> Option<String> {
        let names = self.unmatched_with.join(" and the ");
        let (surface, mut words) = (&self.surface, self.words().to_owned());
        if !self.tags_instead.is_empty() {
            let ids: Vec<String> = self.tags_instead.iter().map(u32::to_string).collect();
            words = format!("{words}: {}", ids.join(", "));
        }
        (!names.is_empty()).then(|| {
            format!(
                "The {surface} was not measured ({words}), so it is not matched with the {names}."
            )
        })
    }
}

impl From<&Missing> for NotMeasured {
    fn from(missing: &Missing) -> Self {
        let (reason, text, help) = match &missing.left_out {
            Some(left_out) => (
                left_out.code(),
                left_out.reason.to_string(),
                left_out.reason.mend().to_owned(),
            ),
            None => (
                "not-chosen",
                "its function was not chosen".to_owned(),
                "choose its function with --function, or leave that out".to_owned(),
            ),
        };
        Self {
            surface: missing.surface.clone(),
            reason: reason.into(),
            text,
            help,
            tags_instead: missing.tags_instead().to_vec(),
            unmatched_with: missing.unmatched_with.clone(),
        }
    }
}

impl Measurement {
    /// The function that a surface was measured in; `None` where the file declared none.
    pub fn function_of(&self, surface: &str) -> Option<&str> {
        let mut functions = self.functions.iter();
        let own = functions.find(|function| function.surfaces.iter().any(|name| name == surface));
        own.map(|function| function.name.as_str())
    }

    /// What the match groups of a model file hold of this measurement: those of its functions, among
    /// the measured surfaces. Surfaces that the measurement does not know at all stay in their groups.
    pub fn groups_of(&self, model: &ModelFile) -> Vec<MatchGroup> {
        let of_functions = self.functions.iter();
        let of_functions: Vec<&Function> = of_functions
            .filter_map(|function| model.function(&function.name))
            .collect();
        let groups = match of_functions.as_slice() {
            [] => model.matches.clone(),
            functions => {
                let groups = functions.iter().flat_map(|function| &function.matches);
                groups.cloned().collect()
            }
        };
        let is_left_out = |name: &str| self.not_measured.iter().any(|one| one.surface == name);
        let names = groups
            .iter()
            .flat_map(|group| group.followers.iter().chain([&group.reference]));
        let kept = names.map(String::as_str).filter(|name| !is_left_out(name));
        groups_among(&groups, &kept.collect())
    }

    /// Whether both measured a surface in the same function, as far as they name functions.
    pub fn same_function(&self, other: &Self, surface: &str) -> bool {
        match (self.function_of(surface), other.function_of(surface)) {
            (Some(own), Some(others)) => own == others,
            _ => true,
        }
    }

    /// All records of where tags are at neutral: one, or one a function in a clip of several.
    pub fn neutral_records(&self) -> impl Iterator<Item = &NeutralRecord> {
        let of_functions = self.functions.iter();
        let of_functions = of_functions.filter_map(|function| function.neutral.as_ref());
        self.neutral.iter().chain(of_functions)
    }

    /// One record of the functions of a clip, each measured separately from the same fit. Deflections
    /// of different functions count as uncorrelated, since nothing is computed from both.
    pub fn joined(parts: Vec<Self>) -> Option<Self> {
        let mut parts = parts.into_iter();
        let mut all = parts.next()?;
        if parts.len() == 0 {
            return Some(all);
        }
        all.hand_to_function();
        for mut part in parts {
            part.hand_to_function();
            all.functions.append(&mut part.functions);
            all.surfaces.append(&mut part.surfaces);
            all.lags.append(&mut part.lags);
            all.groups.append(&mut part.groups);
            all.matches.append(&mut part.matches);
            all.level_zero = LevelZero::joined(all.level_zero.take(), part.level_zero);
            all.trace
                .deflection_deg
                .append(&mut part.trace.deflection_deg);
            append_block(
                &mut all.station_covariance_deg2,
                part.station_covariance_deg2,
            );
            for warning in part.warnings {
                if !all.warnings.contains(&warning) {
                    all.warnings.push(warning);
                }
            }
        }
        Some(all)
    }

    /// Moves what a measurement holds once into the record of its only function.
    fn hand_to_function(&mut self) {
        if let [function] = self.functions.as_mut_slice() {
            function.neutral = self.neutral.take();
            function.stick_log = self.stick_log.take();
        }
    }
}
