//! The setup sheet: what one page beside the aircraft has to say.

use askama::Template;

use crate::cautions;
use crate::comparison::Standing;
use crate::matching::Correction;
use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::model_file::{Radio, Settings};
use crate::record::{Drift, Kept, NeutralDrift, active, drifts};
use crate::response::StationDeflection;

use super::figures::{percent, plain_deg, signed_deg, signed_with_u};
use super::neutral::neutral_sentence;
use super::page::{Counting, curve_kind};
use super::{ReportError, neutral_drift, verdict};

/// What is checked before a flight, with room for who did it.
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
    has_throw: bool,
    throws: Vec<ThrowRow>,
    numbers: Vec<NumbersRow>,
    unit: &'static str,
    positions: Vec<String>,
    curve_kind: Option<&'static str>,
    numbers_note: Option<String>,
    pairs: Vec<PairRow>,
    neutrals: Vec<String>,
    health: Vec<HealthRow>,
    drifts: Vec<DriftRow>,
    neutral_told: String,
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

/// The sheet of the latest measurement, with its drift against the earlier ones; `of_neutral` is that
/// of neutral.
pub fn setup_sheet(
    latest: &Kept,
    earlier: &[Kept],
    of_neutral: &[NeutralDrift],
) -> Result<String, ReportError> {
    let measurement = &latest.measurement;
    let throws: Vec<ThrowRow> = measurement.surfaces.iter().filter_map(throw_row).collect();
    let sheet = Sheet {
        entry: &latest.name,
        has_throw: throws
            .iter()
            .flat_map(|row| &row.ends)
            .any(|end| !end.throw.is_empty()),
        throws,
        numbers: numbers_rows(measurement),
        unit: Counting::of(measurement.radio.as_ref()).unit(),
        curve_kind: curve_kind(measurement.radio.as_ref()),
        numbers_note: numbers_note(measurement),
        positions: curve_points_pct(measurement)
            .iter()
            .map(|&point| percent(point))
            .collect(),
        pairs: measurement
            .matches
            .iter()
            .map(|correction| pair_row(measurement, correction))
            .collect(),
        neutrals: measurement
            .matches
            .iter()
            .filter_map(|correction| neutral_sentence(measurement, correction))
            .collect(),
        health: measurement.surfaces.iter().map(health_row).collect(),
        neutral_told: neutral_drift::assumption(of_neutral, earlier),
        drifts: drift_rows(drifts(measurement, earlier), of_neutral),
        checks: CHECKS,
        before_moving: &cautions::BEFORE_MOVING,
        inspection: cautions::AFTER_ENTERING[2],
        measurement,
    };
    Ok(sheet.render()?)
}

fn throw_row(surface: &SurfaceRecord) -> Option<ThrowRow> {
    let by_deflection = |a: &&StationDeflection, b: &&StationDeflection| {
        a.deflection_deg.value.total_cmp(&b.deflection_deg.value)
    };
    let most = surface.stations.iter().max_by(by_deflection)?;
    let least = surface.stations.iter().min_by(by_deflection)?;
    let [positive, negative] = if surface.upright {
        ["left", "right"]
    } else {
        ["up", "down"]
    };
    Some(ThrowRow {
        surface: surface.name.clone(),
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

/// What was entered while the clip was taken, and what was proposed after it, where it differs.
fn numbers_rows(measurement: &Measurement) -> Vec<NumbersRow> {
    let untouched = untouched(measurement);
    let counting = Counting::of(measurement.radio.as_ref());
    measurement
        .surfaces
        .iter()
        .flat_map(|surface| {
            let row = |state, settings: &Settings| {
                numbers_row(surface, state, settings, (&untouched, counting))
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
                None => undeclared_row(surface, untouched.curve_pct.len()),
            };
            [Some(entered), proposed]
        })
        .flatten()
        .collect()
}

/// Nobody said what was entered.
fn undeclared_row(surface: &SurfaceRecord, curve_points: usize) -> NumbersRow {
    let unknown = || String::from("–");
    NumbersRow {
        surface: surface.name.clone(),
        state: "entered when filmed: not declared",
        sub_trim: unknown(),
        end_points: unknown(),
        curve: (0..curve_points).map(|_| unknown()).collect(),
    }
}

/// Where the numbers that were entered are from, and what was taken where nobody declared any.
fn numbers_note(measurement: &Measurement) -> Option<String> {
    let radio = measurement.radio.as_ref();
    let is_undeclared = |surface: &SurfaceRecord| active(measurement, &surface.name).is_none();
    let proposed = radio.and_then(|radio| radio.proposed_in.as_ref());
    let from = proposed.map(|from| format!("The entered numbers are those proposed in {from}."));
    let untouched = measurement.surfaces.iter().any(is_undeclared).then(|| {
        "Where no numbers are declared, the servo's numbers were taken as untouched: check them in \
         the radio."
            .to_string()
    });
    let sentences: Vec<String> = from.into_iter().chain(untouched).collect();
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// Whether numbers say the same, an untouched curve being no curve.
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
    surface: &SurfaceRecord,
    state: &'static str,
    settings: &Settings,
    (untouched, counting): (&Settings, Counting),
) -> NumbersRow {
    NumbersRow {
        surface: surface.name.clone(),
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

fn pair_row(measurement: &Measurement, correction: &Correction) -> PairRow {
    let tolerance_deg = measurement.tolerance_deg(correction);
    PairRow {
        pair: format!("{} against {}", correction.follower, correction.reference),
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

fn health_row(surface: &SurfaceRecord) -> HealthRow {
    let shown = |figure: Option<Measured>| figure.map_or_else(|| "–".into(), plain_deg);
    HealthRow {
        surface: surface.name.clone(),
        play: shown(surface.health.play_deg),
        return_to_neutral: shown(surface.health.return_to_neutral_deg),
        jitter: shown(surface.health.jitter_deg),
    }
}

/// Rows of one earlier measurement stand together, those of neutral first.
fn drift_rows(drifts: Vec<Drift>, of_neutral: &[NeutralDrift]) -> Vec<DriftRow> {
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
            (false, _) if drift.stations > 1 => {
                format!("no more than chance among {} stations", drift.stations)
            }
            (false, _) => neutral_drift::NO_CHANGE.into(),
            (true, true) => neutral_drift::NUMBERS_CHANGED.into(),
            (true, false) if drift.proposal_undeclared => {
                "moved: if the numbers proposed then were entered, declare them; else look at linkage \
                 and servo"
                    .into()
            }
            (true, false) => "moved: look at linkage and servo".into(),
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
