//! Which kept measurement says the latest of each surface: a clip seldom shows all of them.

use super::{Drift, Kept, NeutralDrift, drifts, neutral_drifts};
use crate::measurement::Measurement;
use crate::model_file::ModelFile;

/// A kept measurement with the surfaces that no later one measured in the same function.
#[derive(Debug, Clone, PartialEq)]
pub struct Source<'k> {
    /// The measurement.
    pub kept: &'k Kept,
    /// Those before it, the latest first.
    pub earlier: &'k [Kept],
    /// Names of its surfaces that count.
    pub surfaces: Vec<&'k str>,
}

/// The sources of all surfaces, the latest first; `kept` is in that order too.
///
/// Of earlier measurements only surfaces count that the model file still declares.
pub fn sources<'k>(kept: &'k [Kept], model: &ModelFile) -> Vec<Source<'k>> {
    let mut sources: Vec<Source<'k>> = Vec::new();
    for (place, one) in kept.iter().enumerate() {
        let is_later = |name: &str| {
            sources.iter().any(|source| {
                let measurement = &source.kept.measurement;
                source.surfaces.contains(&name) && measurement.same_function(&one.measurement, name)
            })
        };
        let is_declared = |name: &str| place == 0 || model.surface(name).is_some();
        let surfaces = one.measurement.surfaces.iter();
        let surfaces: Vec<&str> = surfaces
            .map(|surface| surface.name.as_str())
            .filter(|name| is_declared(name) && !is_later(name))
            .collect();
        if place == 0 || !surfaces.is_empty() {
            sources.push(Source {
                kept: one,
                earlier: &kept[place + 1..],
                surfaces,
            });
        }
    }
    sources
}

/// Surfaces of the model file that no source measured.
pub fn never_measured<'m>(sources: &[Source<'_>], model: &'m ModelFile) -> Vec<&'m str> {
    let is_measured = |name: &str| sources.iter().any(|source| source.has(name));
    let surfaces = model.surfaces.iter().map(|surface| surface.name.as_str());
    surfaces.filter(|name| !is_measured(name)).collect()
}

impl Source<'_> {
    /// Whether it says the latest of a surface.
    pub fn has(&self, surface: &str) -> bool {
        self.surfaces.contains(&surface)
    }

    /// What was measured.
    pub fn measurement(&self) -> &Measurement {
        &self.kept.measurement
    }

    /// How its surfaces changed since earlier measurements.
    pub fn drifts(&self) -> Vec<Drift> {
        let mut drifts = drifts(self.measurement(), self.earlier);
        drifts.retain(|drift| self.has(&drift.surface));
        drifts
    }

    /// How neutral of its surfaces changed since earlier measurements.
    pub fn neutral_drifts(&self) -> Vec<NeutralDrift> {
        let mut drifts = neutral_drifts(self.measurement(), self.earlier);
        drifts.retain(|drift| self.has(&drift.surface));
        drifts
    }
}
