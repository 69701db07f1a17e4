//! The setup sheet: one page to keep with the aircraft.

use askama::Template;

use crate::cautions;
use crate::comparison::Standing;
use crate::matching::Correction;
use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::model_file::{Radio, Settings};
use crate::names::without_unseen;
use crate::record::{Drift, NeutralDrift, Source, active};

use super::figures::{percent, plain_deg, signed_deg, signed_with_u};
use super::neutral::neutral_sentence;
use super::page::{Counting, curve_kind};
use super::sheet_sources::{SourceRow, label, shared_servo, source_rows};
use super::{ReportError, neutral_drift, verdict};

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

struct NumbersRow {
    surface: String,
    state: &'static str,
    sub_trim: String,
    end_points: String,
    curve: Vec<String>,
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

struct DriftRow {
    since: String,
    surface: String,
    stick: String,
    change: String,
    words: String,
}

/// The sheet of the latest that is known of each surface, with its drift against earlier measurements;
/// `of_neutral` is that of neutral. The first source is the latest measurement.
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

/// The latest record of every surface with what it is called, source by source.
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

fn curve_points_pct(measurement: &Measurement) -> &[f64] {
    measurement
        .radio
        .as_ref()
        .and_then(|radio| radio.curve_points_pct.as_deref())
        .unwrap_or_default()
}

/// The numbers during the clip of a source, and the proposed ones where they differ, with the curve at the
/// positions of the sheet.
fn numbers_rows(
    sources: &[Source<'_>],
    source: &Source<'_>,
    positions_pct: &[f64],
) -> Vec<NumbersRow> {
    let measurement = source.measurement();
    let untouched = untouched(measurement);
    let same_points = curve_points_pct(measurement) == positions_pct;
    let counting = Counting::of(measurement.radio.as_ref());
    let surfaces = measurement.surfaces.iter();
    surfaces
        .filter(|surface| source.has(&surface.name))
        .flat_map(|surface| {
            let label = label(sources, measurement, &surface.name);
            let row = |state, settings: &Settings| {
                let mut row = numbers_row(label.clone(), state, settings, (&untouched, counting));
                if !same_points {
                    row.curve = vec!["–".into(); positions_pct.len()];
                }
                row
            };
            let entered = active(measurement, &surface.name);
            let proposed = measurement
                .matches
                .iter()
                .find(|correction| correction.follower == surface.name)
                .map(|correction| &correction.settings)
                .filter(|proposed| !is_same(measurement, proposed, entered.as_ref()))
                .map(|proposed| row("proposed, not yet filmed", proposed));
            let entered = match &entered {
                Some(entered) => row("entered when filmed", entered),
                None => undeclared_row(label.clone(), positions_pct.len()),
            };
            [Some(entered), proposed]
        })
        .flatten()
        .collect()
}

/// No numbers were declared.
fn undeclared_row(surface: String, curve_points: usize) -> NumbersRow {
    let unknown = || String::from("–");
    NumbersRow {
        surface,
        state: "entered when filmed: not declared",
        sub_trim: unknown(),
        end_points: unknown(),
        curve: (0..curve_points).map(|_| unknown()).collect(),
    }
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

/// Which proposal the entered numbers come from, and what the matching assumed without a declaration.
fn numbers_note(sources: &[Source<'_>]) -> Option<String> {
    let radios = sources
        .iter()
        .filter_map(|source| source.measurement().radio.as_ref());
    let mut proposed: Vec<&String> = radios
        .filter_map(|radio| radio.proposed_in.as_ref())
        .collect();
    proposed.dedup();
    let from = proposed.iter().map(|from| match from.split_once(", ") {
        Some((day, clip)) => {
            format!("The entered numbers are those proposed by the measurement of {day} ({clip}).")
        }
        None => format!("The entered numbers are those proposed by the measurement of {from}."),
    });
    let is_undeclared = |source: &Source<'_>| {
        let measurement = source.measurement();
        let own = measurement.surfaces.iter();
        let mut own = own.filter(|surface| source.has(&surface.name));
        own.any(|surface| active(measurement, &surface.name).is_none())
    };
    let untouched = sources.iter().any(is_undeclared).then(|| {
        "Where no numbers are declared, the matching assumed an untouched servo: check them in the \
         radio."
            .to_string()
    });
    let sentences: Vec<String> = from.chain(untouched).collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// Whether two settings are equal; an untouched curve equals no curve.
fn is_same(measurement: &Measurement, proposed: &Settings, entered: Option<&Settings>) -> bool {
    let untouched = untouched(measurement);
    let plain = |settings: &Settings| Settings {
        curve_pct: if settings.curve_pct == untouched.curve_pct {
            Vec::new()
        } else {
            settings.curve_pct.clone()
        },
        ..settings.clone()
    };
    plain(proposed) == entered.map(plain).unwrap_or_default()
}

fn untouched(measurement: &Measurement) -> Settings {
    let radio = measurement.radio.as_ref();
    radio.map_or_else(Settings::default, Radio::untouched)
}

/// One row; a curve that was not entered reads as untouched.
fn numbers_row(
    surface: String,
    state: &'static str,
    settings: &Settings,
    (untouched, counting): (&Settings, Counting),
) -> NumbersRow {
    NumbersRow {
        surface,
        state,
        sub_trim: counting.shown(settings.sub_trim_pct),
        end_points: settings
            .end_points_pct
            .map(|end| counting.shown_unsigned(end))
            .join(" / "),
        curve: untouched
            .curve_pct
            .iter()
            .enumerate()
            .map(|(point, nothing)| settings.curve_pct.get(point).unwrap_or(nothing))
            .map(|typed| counting.shown(*typed))
            .collect(),
    }
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

/// Rows of one earlier measurement form a group, neutral first.
fn drift_rows(sources: &[Source<'_>], of_neutral: &[NeutralDrift]) -> Vec<DriftRow> {
    let drifts: Vec<Drift> = sources.iter().flat_map(Source::drifts).collect();
    let order: Vec<String> = drifts.iter().map(|drift| drift.since.clone()).collect();
    let place = |row: &DriftRow| order.iter().position(|since| *since == row.since);
    let neutral = of_neutral.iter().map(neutral_row);
    let mut rows: Vec<DriftRow> = neutral.chain(drifts.into_iter().map(drift_row)).collect();
    rows.sort_by_key(place);
    rows
}

fn drift_row(drift: Drift) -> DriftRow {
    DriftRow {
        stick: percent(drift.stick_pct),
        change: signed_deg(drift.change_deg),
        words: match (drift.is_sure(), drift.numbers_changed) {
            (false, true) => "no change beyond the uncertainty, although other numbers are declared: \
                              check that they were entered"
                .into(),
            (false, false) => "no change beyond the uncertainty".into(),
            (true, true) => neutral_drift::NUMBERS_CHANGED.into(),
            (true, false) if drift.proposal_undeclared => {
                "moved: if the numbers proposed then were entered, declare them; else check linkage \
                 and servo"
                    .into()
            }
            (true, false) => "moved: check linkage and servo".into(),
        },
        since: drift.since,
        surface: drift.surface,
    }
}

fn neutral_row(drift: &NeutralDrift) -> DriftRow {
    DriftRow {
        since: drift.since.clone(),
        surface: neutral_drift::whose(drift),
        stick: "neutral".into(),
        change: neutral_drift::figure(drift),
        words: neutral_drift::verdict(drift),
    }
}
