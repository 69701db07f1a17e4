//! The setup sheet: one page to keep with the aircraft.

mod drifts;
mod numbers;

use askama::Template;

use crate::cautions;
use crate::comparison::Standing;
use crate::matching::Correction;
use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::names::without_unseen;
use crate::record::{NeutralDrift, Source};

use super::figures::{percent, plain_deg, signed_deg, signed_with_u};
use super::neutral::neutral_sentence;
use super::page::{Counting, curve_kind};
use super::sheet_sources::{SourceRow, label, shared_servo, source_rows};
use super::{ReportError, neutral_drift, verdict};
use drifts::{DriftRow, drift_rows};
use numbers::{NumbersRow, curve_points_pct, numbers_note, numbers_rows};

/// Checks before a flight, with room for initials.
const CHECKS: [&str; 6] = [
    "Every surface moves the right way, on the ground, motor or turbine safe",
    "Full travel by eye: nothing binds, no servo hums",
    "Hinges, horns, clevises, servo screws",
    "Receiver battery charged",
    "Failsafe, as the club and the national body require",
    "Range, as the club and the national body require",
];

#[derive(Template)]
#[template(path = "setup_sheet.html", config = "src/report/askama.toml")]
struct Sheet<'a> {
    measurement: &'a Measurement,
    entry: &'a str,
    sources: Vec<SourceRow>,
    never_measured: String,
    has_throw: bool,
    throws: Vec<ThrowRow>,
    numbers: Vec<NumbersRow>,
    shared_servo: Option<String>,
    unit: &'static str,
    positions: Vec<String>,
    curve_kind: Option<&'static str>,
    numbers_note: Option<String>,
    pairs: Vec<PairRow>,
    neutrals: Vec<String>,
    health: Vec<HealthRow>,
    drifts: Vec<DriftRow>,
    neutral_note: String,
    checks: [&'a str; 6],
    before_moving: &'a [&'a str],
    inspection: &'a str,
}

struct ThrowRow {
    surface: String,
    ends: [End; 2],
}

struct End {
    way: &'static str,
    stick: String,
    deflection: String,
    throw: String,
}

struct PairRow {
    pair: String,
    found: String,
    accepted: String,
    standing: &'static str,
}

struct HealthRow {
    surface: String,
    play: String,
    return_to_neutral: String,
    jitter: String,
}

/// The sheet with the latest record of each surface and its drift against earlier measurements;
/// `of_neutral` is the drift of neutral. The first source is the latest measurement.
pub fn setup_sheet(
    sources: &[Source<'_>],
    of_neutral: &[NeutralDrift],
    never_measured: &[&str],
) -> Result<String, ReportError> {
    let Some(latest) = sources.first() else {
        return Ok(String::new());
    };
    let measurement = latest.measurement();
    let positions_pct = curve_points_pct(measurement);
    let numbers = sources
        .iter()
        .flat_map(|source| numbers_rows(sources, source, positions_pct));
    let throws: Vec<ThrowRow> = surfaces(sources)
        .filter_map(|(label, surface)| throw_row(label, surface))
        .collect();
    let sheet = Sheet {
        entry: &latest.kept.name,
        sources: source_rows(sources),
        never_measured: never_measured.join(", "),
        has_throw: throws
            .iter()
            .flat_map(|row| &row.ends)
            .any(|end| !end.throw.is_empty()),
        throws,
        numbers: numbers.collect(),
        shared_servo: shared_servo(sources),
        unit: Counting::of(measurement.radio.as_ref()).unit(),
        curve_kind: curve_kind(measurement.radio.as_ref()),
        numbers_note: numbers_note(sources),
        positions: positions_pct.iter().map(|&point| percent(point)).collect(),
        pairs: sources
            .iter()
            .flat_map(|source| pair_rows(sources, source))
            .collect(),
        health: surfaces(sources)
            .map(|(label, surface)| health_row(label, surface))
            .collect(),
        neutrals: neutral_sentences(sources),
        neutral_note: neutral_drift::assumption(of_neutral, latest.earlier),
        drifts: drift_rows(sources, of_neutral),
        checks: CHECKS,
        before_moving: &cautions::BEFORE_MOVING,
        inspection: cautions::AFTER_ENTERING[2],
        measurement,
    };
    Ok(without_unseen(&sheet.render()?))
}

/// The latest record of every surface with its label, source by source.
fn surfaces<'s>(
    sources: &'s [Source<'_>],
) -> impl Iterator<Item = (String, &'s SurfaceRecord)> + 's {
    sources.iter().flat_map(move |source| {
        let measurement = source.measurement();
        let own = measurement.surfaces.iter();
        own.filter(|surface| source.has(&surface.name))
            .map(move |surface| (label(sources, measurement, &surface.name), surface))
    })
}

fn throw_row(label: String, surface: &SurfaceRecord) -> Option<ThrowRow> {
    let [most, least] = surface.ends()?;
    let [positive, negative] = if surface.upright {
        ["left", "right"]
    } else {
        ["up", "down"]
    };
    Some(ThrowRow {
        surface: label,
        ends: [(positive, most), (negative, least)].map(|(way, station)| End {
            way,
            stick: percent(station.stick_pct),
            deflection: signed_with_u(station.deflection_deg),
            throw: station.throw_mm.map_or_else(String::new, signed_with_u),
        }),
    })
}

/// How the neutrals of all pairs of the sheet compare.
fn neutral_sentences(sources: &[Source<'_>]) -> Vec<String> {
    let of_source = |source: &Source<'_>| -> Vec<String> {
        let measurement = source.measurement();
        let matches = measurement.matches.iter();
        let own = matches.filter(|correction| source.has(&correction.follower));
        own.filter_map(|correction| neutral_sentence(measurement, correction))
            .collect()
    };
    sources.iter().flat_map(of_source).collect()
}

/// Pairs of a source of which no later clip shows either side.
fn pair_rows(sources: &[Source<'_>], source: &Source<'_>) -> Vec<PairRow> {
    let measurement = source.measurement();
    let matches = measurement.matches.iter();
    matches
        .filter(|correction| {
            let reference = &correction.reference;
            // The reference can be a target's name, which no clip measures.
            let is_there = measurement.surface(reference).is_none() || source.has(reference);
            is_there && source.has(&correction.follower)
        })
        .map(|correction| {
            let names = [&correction.follower, &correction.reference];
            let [follower, reference] = names.map(|name| label(sources, measurement, name));
            pair_row(
                format!("{follower} against {reference}"),
                measurement,
                correction,
            )
        })
        .collect()
}

fn pair_row(pair: String, measurement: &Measurement, correction: &Correction) -> PairRow {
    let tolerance_deg = measurement.tolerance_deg(correction);
    PairRow {
        pair,
        found: verdict::worst(&correction.found_deg).map_or_else(
            || "–".into(),
            |station| {
                let at = percent(station.stick_pct);
                format!("{} at {at} %", signed_deg(station.mismatch_deg))
            },
        ),
        accepted: tolerance_deg.map_or_else(
            || "not declared".into(),
            |tolerance_deg| format!("±{tolerance_deg:.2}°"),
        ),
        standing: tolerance_deg.map_or("not judged", |tolerance_deg| {
            Standing::of_correction(correction, tolerance_deg).words()
        }),
    }
}

fn health_row(label: String, surface: &SurfaceRecord) -> HealthRow {
    let shown = |figure: Option<Measured>| figure.map_or_else(|| "–".into(), plain_deg);
    HealthRow {
        surface: label,
        play: shown(surface.health.play_deg),
        return_to_neutral: shown(surface.health.return_to_neutral_deg),
        jitter: shown(surface.health.jitter_deg),
    }
}
