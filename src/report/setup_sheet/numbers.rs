//! The numbers of the setup sheet: entered when filmed, and proposed.

use crate::measurement::Measurement;
use crate::model_file::{Proposal, Radio, Settings};
use crate::record::{Source, active};
use crate::report::page::Counting;
use crate::report::sheet_sources::label;

/// Numbers of one surface.
pub(super) struct NumbersRow {
    pub surface: String,
    pub state: &'static str,
    pub sub_trim: String,
    pub end_points: String,
    pub curve: Vec<String>,
}

/// The curve points of a measurement's radio; none without a curve.
pub(super) fn curve_points_pct(measurement: &Measurement) -> &[f64] {
    measurement
        .radio
        .as_ref()
        .and_then(|radio| radio.curve_points_pct.as_deref())
        .unwrap_or_default()
}

/// The numbers during the clip of a source, and the proposed ones if they differ, with the curve at the
/// positions of the sheet.
pub(super) fn numbers_rows(
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
                let mut row = numbers_row(label.clone(), state, settings, &untouched, counting);
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

/// The row of a surface without declared numbers.
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

/// The proposal behind the entered numbers, and the assumption of the matching without a declaration.
pub(super) fn numbers_note(sources: &[Source<'_>]) -> Option<String> {
    let radios = sources
        .iter()
        .filter_map(|source| source.measurement().radio.as_ref());
    let mut proposed: Vec<&Proposal> = radios
        .filter_map(|radio| radio.proposed_in.as_ref())
        .collect();
    proposed.dedup();
    let from = proposed.iter().map(|from| {
        let measurement = match (&from.date, &from.clip) {
            (Some(date), clip) => format!("{date} ({clip})"),
            (None, clip) => clip.clone(),
        };
        format!("The entered numbers are those proposed by the measurement of {measurement}.")
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

/// One row; a curve that was not entered appears as untouched.
fn numbers_row(
    surface: String,
    state: &'static str,
    settings: &Settings,
    untouched: &Settings,
    counting: Counting,
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
