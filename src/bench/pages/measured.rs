//! One measurement: how far it is, why it failed, or what it found.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;

use super::{At, Shell, onward, page, sentence};
use crate::bench::api::measurements::Shown;
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::form::Form;
use crate::bench::guard::IsHere;
use crate::bench::line::{Entry, Order, State as LineState};
use crate::bench::workshop::Measured;
use crate::bench::{Bench, Refusal, Shared};
use crate::commands::{self, Common};
use crate::measurement::{Measurement, Source};
use crate::report::{Headline, Judgement, PAGE, UNFINISHED_PAGE, withheld};

#[derive(Template)]
#[template(path = "waiting.html", config = "src/bench/askama.toml")]
struct Waiting {
    shell: Shell,
    id: String,
    clip: String,
    state: Shown,
    percent: u32,
    left: String,
    is_interrupted: bool,
    has_page: bool,
    back: String,
}

#[derive(Template)]
#[template(path = "measured.html", config = "src/bench/askama.toml")]
struct Done {
    shell: Shell,
    id: String,
    clip: String,
    found: Vec<Found>,
    has_numbers: bool,
    warnings: Vec<(String, String, bool)>,
    is_kept: bool,
    can_be_kept: bool,
    is_here: bool,
    aircraft: Option<String>,
}

/// What was found for one follower.
struct Found {
    headline: &'static str,
    sentence: String,
}

#[derive(Template)]
#[template(path = "report.html", config = "src/bench/askama.toml")]
struct Report {
    shell: Shell,
    address: String,
    back: String,
}

pub async fn measured(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    IsHere(is_here): IsHere,
) -> Result<Response, Refusal> {
    blocking(move || match bench.line.entry(&id) {
        Some(entry) => page(&waiting(&bench, &entry)),
        // A calibration that was watched is done.
        None if bench.workshop.camera_of(&id).is_ok() => Ok(onward(&format!("/camera/{id}"))),
        None => page(&done(&bench, bench.workshop.measurement_of(&id)?, is_here)),
    })
    .await
}

fn waiting(bench: &Bench, entry: &Entry) -> Waiting {
    let state = Shown::of(entry);
    let (clip, out, aircraft) = match &entry.order {
        Order::Measure(order) => (&order.clip, &order.out, Some(&order.aircraft)),
        Order::Calibrate(order) => (&order.clip, &order.out, None),
    };
    let mut all = bench.workshop.aircraft().into_iter();
    let aircraft = all.find(|one| Some(&one.file) == aircraft);
    let title = match (state.state, &entry.order) {
        ("failed", Order::Measure(_)) => "The clip was not measured",
        ("failed", Order::Calibrate(_)) => "The camera was not calibrated",
        (_, Order::Measure(_)) => "Measuring",
        (_, Order::Calibrate(_)) => "Calibrating",
    };
    let back = match &aircraft {
        Some(aircraft) => format!("/aircraft/{}/film", aircraft.id),
        None => "/camera".into(),
    };
    Waiting {
        shell: match aircraft {
            Some(aircraft) => Shell::step(title, &Course::of(bench, aircraft), At::Film),
            None => Shell::of(title, super::Place::Camera),
        },
        id: entry.id.clone(),
        clip: clip.display().to_string(),
        // Rounded down, so that 100 % is all.
        percent: (100.0 * state.progress) as u32,
        left: state.left_s.map(left).unwrap_or_default(),
        is_interrupted: matches!(
            entry.state,
            LineState::Failed {
                interrupted: true,
                ..
            }
        ),
        has_page: bench.workshop.path(&out.join(UNFINISHED_PAGE)).is_file(),
        state,
        back,
    }
}

/// Time left, in words.
fn left(left_s: f64) -> String {
    match left_s {
        left_s if left_s < 60.0 => format!("about {:.0} s left", left_s.ceil()),
        left_s => format!("about {:.0} min left", (left_s / 60.0).ceil()),
    }
}

/// The result of each pair, or why no numbers are shown.
fn found(measurement: &Measurement) -> Vec<Found> {
    if let Some(reason) = withheld(measurement) {
        return vec![Found {
            headline: Headline::of(measurement).words,
            sentence: reason.into(),
        }];
    }
    let of_pair = |correction| {
        let judgement = Judgement::of(measurement, correction);
        Found {
            headline: Headline::of_pair(measurement, &judgement),
            sentence: judgement.sentence(correction),
        }
    };
    measurement.matches.iter().map(of_pair).collect()
}

fn done(bench: &Bench, measured: Measured, is_here: bool) -> Done {
    let measurement = &measured.measurement;
    let warnings = measurement.warnings.iter().map(|warning| {
        (
            sentence(&warning.text),
            sentence(&warning.mend),
            warning.grave,
        )
    });
    let day = measurement.date.as_deref().unwrap_or("an unknown day");
    let course = Course::of_model(bench, &measurement.model);
    let is_in_record =
        |other: &Measured| other.is_kept && other.measurement == measured.measurement;
    let is_kept = measured.is_kept
        || match &course {
            Some(course) => course.kept.iter().any(is_in_record),
            None => bench.workshop.measurements().iter().any(is_in_record),
        };
    Done {
        shell: Shell::of_model(
            match measurement.source {
                Some(Source::Live) => format!("{}, measured live on {day}", measurement.model),
                None => format!("{}, clip of {day}", measurement.model),
            },
            course.as_ref(),
            At::Numbers,
        ),
        clip: measurement.clip.path.clone(),
        found: found(measurement),
        has_numbers: !measurement.matches.is_empty() && withheld(measurement).is_none(),
        warnings: warnings.collect(),
        is_kept,
        can_be_kept: !is_kept && course.is_some(),
        is_here,
        aircraft: course.map(|course| course.aircraft.id),
        id: measured.id.clone(),
    }
}

/// The report of a measurement, or the page of a clip that could not be measured, inside a page.
pub async fn report(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let back = format!("/measurements/{id}");
        if let Some(entry) = bench.line.entry(&id) {
            let waiting = waiting(&bench, &entry);
            return page(&Report {
                shell: waiting.shell,
                address: format!("/api/measurements/{id}/{UNFINISHED_PAGE}"),
                back,
            });
        }
        let measured = bench.workshop.measurement_of(&id)?;
        let model = &measured.measurement.model;
        let course = Course::of_model(&bench, model);
        page(&Report {
            shell: Shell::of_model(format!("Report: {model}"), course.as_ref(), At::Numbers),
            address: format!("/api/measurements/{id}/{}", PAGE),
            back,
        })
    })
    .await
}

/// Cancels a measurement, goes on with it, or keeps it in the record.
pub async fn act(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let here = format!("/measurements/{id}");
        match form.get("do") {
            "cancel" => {
                let entry = bench
                    .line
                    .entry(&id)
                    .ok_or_else(|| Refusal::not_found("order"))?;
                let back = waiting(&bench, &entry).back;
                bench.line.cancel(&id)?;
                Ok(onward(&back))
            }
            "resume" => {
                bench.line.resume(&id)?;
                Ok(onward(&here))
            }
            "keep" => {
                keep(&bench, &bench.workshop.measurement_of(&id)?)?;
                Ok(onward(&here))
            }
            _ => Err(Refusal::bad_request(
                "a measurement has no such action",
                "send the form of the page",
            )),
        }
    })
    .await
}

/// Keeps a measurement as `record` does.
fn keep(bench: &Bench, measured: &Measured) -> Result<(), Refusal> {
    let aircraft = bench.workshop.aircraft_named(&measured.measurement.model);
    let aircraft = aircraft.ok_or_else(|| Refusal::not_found("aircraft"))?;
    let options = commands::record::Options {
        folders: vec![bench.workshop.path(&measured.folder)],
        model: bench.workshop.path(&aircraft.file),
    };
    commands::record::run(&options, Common::SILENT)?;
    Ok(())
}
