//! The numbers to enter, large, each with a box to tick.

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;

use super::{At, Shell, onward, page};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::form::Form;
use crate::bench::guard::IsHere;
use crate::bench::model_text::{check, with_entered};
use crate::bench::{Bench, Refusal, Shared, ticks};
use crate::cautions::{AFTER_ENTERING, BEFORE_MOVING};
use crate::matching::Correction;
use crate::measurement::Measurement;
use crate::report::{
    Counting, Judgement, NumberRow, Verdict, curve_kind, exchanged, number_rows, reach_views,
    sense_sentence, withheld,
};

#[derive(Template)]
#[template(path = "numbers.html", config = "src/bench/askama.toml")]
struct Numbers {
    shell: Shell,
    id: String,
    lists: Vec<List>,
    is_confirmed: bool,
    /// Where one comes back to after the cautions.
    back: String,
    before_moving: &'static [&'static str],
    after_entering: &'static [&'static str],
    grave: Vec<String>,
    ticked: usize,
    count: usize,
    can_carry: bool,
    is_here: bool,
}

/// The numbers of one servo.
struct List {
    follower: String,
    headline: &'static str,
    sentence: String,
    /// Whether these numbers are not all that there is to do.
    needs_report: bool,
    unit: &'static str,
    curve_kind: Option<&'static str>,
    sense: Option<String>,
    /// Other ways that there are.
    others: Vec<Other>,
    rows: Vec<Row>,
}

struct Row {
    tick: String,
    what: String,
    before: String,
    now: String,
    is_ticked: bool,
}

/// Another way: what to do, and the numbers that differ from those entered.
struct Other {
    sentence: String,
    unit: &'static str,
    rows: Vec<NumberRow>,
}

/// The other ways that the report shows: a common travel, and the sides exchanged.
fn others(measurement: &Measurement, correction: &Correction) -> Vec<Other> {
    let other = |sentence: String, unit, rows: Vec<NumberRow>| Other {
        sentence,
        unit,
        rows: rows.into_iter().filter(|row| row.changed).collect(),
    };
    let reaches = reach_views(measurement, correction).into_iter();
    let reaches = reaches.map(|view| other(view.sentence, view.unit, view.numbers));
    let exchanged = exchanged(measurement, correction);
    let exchanged = exchanged.map(|one| other(one.sentence, one.unit, one.numbers));
    reaches.chain(exchanged).collect()
}

/// The numbers that change.
fn rows(measurement: &Measurement, correction: &Correction, ticked: &BTreeSet<String>) -> Vec<Row> {
    let rows = number_rows(measurement, correction).into_iter();
    let rows = rows.filter(|row| row.changed).map(|row| {
        let tick = ticks::tick(&correction.follower, &row.what);
        Row {
            is_ticked: ticked.contains(&tick),
            tick,
            what: row.what,
            before: row.before,
            now: row.now,
        }
    });
    rows.collect()
}

impl List {
    fn of(measurement: &Measurement, correction: &Correction, ticked: &BTreeSet<String>) -> Self {
        let judgement = Judgement::of(measurement, correction);
        let (headline, sentence, rows, others) = match withheld(measurement) {
            Some(reason) => ("No numbers to enter", reason.into(), Vec::new(), Vec::new()),
            None => (
                judgement.headline(),
                judgement.sentence(correction),
                rows(measurement, correction, ticked),
                others(measurement, correction),
            ),
        };
        Self {
            follower: correction.follower.clone(),
            headline,
            sentence,
            needs_report: !matches!(judgement.verdict, Verdict::Alike | Verdict::NumbersCure),
            unit: Counting::of(measurement.radio.as_ref()).unit(),
            curve_kind: curve_kind(measurement.radio.as_ref()),
            sense: sense_sentence(measurement, correction),
            others,
            rows,
        }
    }
}

pub async fn numbers(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    IsHere(is_here): IsHere,
) -> Result<Response, Refusal> {
    blocking(move || {
        let measured = bench.workshop.measurement_of(&id)?;
        let measurement = &measured.measurement;
        let ticked = ticks::read(&bench.store, &id);
        let corrections = measurement.matches.iter();
        let lists: Vec<List> = corrections
            .map(|correction| List::of(measurement, correction, &ticked))
            .collect();
        let rows = || lists.iter().flat_map(|list| &list.rows);
        let grave = measurement.warnings.iter().filter(|warning| warning.grave);
        let course = Course::of_model(&bench, &measurement.model);
        page(&Numbers {
            shell: Shell::of_model(
                format!("Numbers for {}", measurement.model),
                course.as_ref(),
                At::Numbers,
            ),
            is_confirmed: ticks::cautions_confirmed(&bench.store),
            back: format!("/measurements/{id}/numbers"),
            before_moving: &BEFORE_MOVING,
            after_entering: &AFTER_ENTERING,
            grave: grave
                .map(|warning| super::sentence(&warning.text))
                .collect(),
            ticked: rows().filter(|row| row.is_ticked).count(),
            count: rows().count(),
            can_carry: course.is_some(),
            is_here,
            lists,
            id,
        })
    })
    .await
}

/// Keeps the ticks of the page.
pub async fn tick(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let measured = bench.workshop.measurement_of(&id)?;
        let ticked: BTreeSet<String> = form.all("tick").map(str::to_owned).collect();
        ticks::write(&bench.store, &measured.id, &ticked)?;
        Ok(onward(&format!("/measurements/{id}/numbers")))
    })
    .await
}

/// Writes the numbers that were entered into the model file, for the next clip or live session.
pub async fn entered(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let measured = bench.workshop.measurement_of(&id)?;
        let aircraft = carry(&bench, &measured.measurement)?;
        Ok(onward(&match form.get("then") {
            "live" => format!("/aircraft/{aircraft}/live?before={id}"),
            _ => format!("/aircraft/{aircraft}/film"),
        }))
    })
    .await
}

fn carry(bench: &Bench, measurement: &Measurement) -> Result<String, Refusal> {
    let aircraft = bench.workshop.aircraft_named(&measurement.model);
    let aircraft = aircraft.ok_or_else(|| Refusal::not_found("aircraft"))?;
    let before = bench.workshop.read_text(&aircraft.file);
    let before = before.ok_or_else(|| Refusal::not_found("aircraft"))?;
    let entered: Vec<_> = (measurement.matches.iter())
        .map(|correction| (correction.follower.clone(), correction.settings.clone()))
        .collect();
    let text = with_entered(&before, &entered)
        .map_err(|error| Refusal::bad_request(error, "correct the model file first"))?;
    if let Err(faults) = check(&aircraft.file, &text) {
        let fault = faults.into_iter().next();
        let words = fault
            .map(|fault| (fault.error, fault.help))
            .unwrap_or_default();
        return Err(Refusal::bad_request(words.0, words.1));
    }
    super::edit::write(bench, &aircraft, &before, &text)?;
    Ok(aircraft.id)
}
