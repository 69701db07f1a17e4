//! Which clip each surface of a setup sheet is from.

use crate::measurement::Measurement;
use crate::record::Source;

/// The surfaces of one kept measurement.
pub(super) struct SourceRow {
    /// Day of the measurement.
    pub day: String,
    /// Name of the entry.
    pub entry: String,
    /// The clip.
    pub clip: String,
    /// Its surfaces that count, with their functions.
    pub surfaces: String,
}

/// One row a source; none where all surfaces are from one clip.
pub(super) fn source_rows(sources: &[Source<'_>]) -> Vec<SourceRow> {
    if sources.len() < 2 {
        return Vec::new();
    }
    sources.iter().map(source_row).collect()
}

fn source_row(source: &Source<'_>) -> SourceRow {
    let measurement = source.measurement();
    let words = |name: &&str| match measurement.function_of(name) {
        Some(function) => format!("{name} ({function})"),
        None => (*name).to_owned(),
    };
    let surfaces: Vec<String> = source.surfaces.iter().map(words).collect();
    SourceRow {
        day: measurement.date.clone().unwrap_or_else(|| "–".into()),
        entry: source.kept.name.clone(),
        clip: measurement.clip.path.clone(),
        surfaces: surfaces.join(", "),
    }
}

/// The same for a terminal, with the surfaces that no clip shows.
pub fn source_lines(sources: &[Source<'_>], never_measured: &[&str]) -> Vec<String> {
    let rows = source_rows(sources).into_iter();
    let rows = rows.map(|row| format!("  {}: {}", row.entry, row.surfaces));
    let missing = (!never_measured.is_empty())
        .then(|| format!("  not measured yet: {}", never_measured.join(", ")));
    rows.chain(missing).collect()
}

/// What a surface is called on the sheet: with its function where it moves in several.
pub(super) fn label(sources: &[Source<'_>], measurement: &Measurement, surface: &str) -> String {
    let count = sources.iter().filter(|source| source.has(surface)).count();
    match measurement.function_of(surface) {
        Some(function) if count > 1 => format!("{surface} ({function})"),
        _ => surface.to_owned(),
    }
}

/// A caution where the servos of a surface got numbers from clips of several functions.
pub(super) fn shared_servo(sources: &[Source<'_>]) -> Option<String> {
    let proposals = sources.iter().flat_map(|source| {
        let matches = source.measurement().matches.iter();
        matches
            .map(|correction| correction.follower.as_str())
            .filter(|name| source.has(name))
    });
    let mut seen = std::collections::BTreeSet::new();
    let shared: Vec<&str> = proposals.filter(|name| !seen.insert(*name)).collect();
    (!shared.is_empty()).then(|| {
        format!(
            "One servo has only one set of numbers, and the {} moves in several functions. Enter \
             the numbers of one function, then film the other functions again.",
            shared.join(" and the ")
        )
    })
}
