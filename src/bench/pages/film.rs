//! Filming: where to stand, how the clip gets here, and which clips are here already.

use askama::Template;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::Response;

use super::{At, Shell, onward, page};
use crate::bench::api::measurements::{Asked, place_order};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::form::Form;
use crate::bench::guard::IsHere;
use crate::bench::line::{Entry, Order};
use crate::bench::uploads::Span;
use crate::bench::{Bench, Refusal, Shared, multipart, ticks};
use crate::cautions::BEFORE_MOVING;
use crate::model_file::{ModelFile, StationSource, Stations};

/// Most clips of the folder that the page offers.
const MOST_CLIPS: usize = 12;

#[derive(Template)]
#[template(path = "film.html", config = "src/bench/askama.toml")]
struct Film {
    shell: Shell,
    id: String,
    is_confirmed: bool,
    /// Where one comes back to after the cautions.
    back: String,
    before_moving: &'static [&'static str],
    holds: Holds,
    has_camera: bool,
    clips: Vec<(String, String)>,
    waiting: Vec<(String, String)>,
    is_here: bool,
}

/// How the stick is held while one films.
#[derive(Default)]
pub struct Holds {
    pub with_cards: bool,
    /// Fixed orders of holds, each with the function that it is for; empty for the whole aircraft.
    pub orders: Vec<(String, String)>,
}

impl Holds {
    pub fn of(model: Option<&ModelFile>) -> Self {
        let Some(model) = model else {
            return Self::default();
        };
        let order = |name: &str, stations: &Stations| match &stations.source {
            StationSource::Order(order) => {
                let order: Vec<String> = order.iter().map(f64::to_string).collect();
                Some((name.to_owned(), order.join(", ")))
            }
            _ => None,
        };
        let functions = model.functions.iter();
        let functions = functions.filter_map(|one| order(&one.name, &one.stations));
        let whole = model
            .functions
            .is_empty()
            .then(|| order("", &model.stations));
        Self {
            with_cards: !model.cards().is_empty(),
            orders: functions.chain(whole.flatten()).collect(),
        }
    }
}

pub async fn film(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    IsHere(is_here): IsHere,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        let clips = bench.workshop.clips().into_iter().take(MOST_CLIPS);
        page(&Film {
            shell: Shell::step(
                format!("Film {}", course.aircraft.name()),
                &course,
                At::Film,
            ),
            is_confirmed: ticks::cautions_confirmed(&bench.store),
            back: format!("/aircraft/{id}/film"),
            before_moving: &BEFORE_MOVING,
            holds: Holds::of(course.aircraft.model.as_ref().ok()),
            has_camera: course.has_camera,
            clips: clips
                .map(|clip| (clip.id, clip.file.display().to_string()))
                .collect(),
            waiting: waiting(&bench, &course),
            is_here,
            id,
        })
    })
    .await
}

/// Clips of this aircraft that wait or are measured.
fn waiting(bench: &Bench, course: &Course) -> Vec<(String, String)> {
    let entries = bench.line.entries().into_iter();
    let mine = entries.filter_map(|Entry { id, order, .. }| match order {
        Order::Measure(order) if order.aircraft == course.aircraft.file => {
            Some((id, order.clip.display().to_string()))
        }
        _ => None,
    });
    mine.collect()
}

/// Keeps that the cautions were read today.
pub async fn confirm(State(bench): State<Shared>, form: Form) -> Result<Response, Refusal> {
    blocking(move || {
        ticks::confirm_cautions(&bench.store)?;
        // Only to pages of our own.
        let back = form.get("back");
        let is_ours = back.starts_with('/') && !back.starts_with("//") && !back.contains('\\');
        Ok(onward(if is_ours { back } else { "/" }))
    })
    .await
}

/// Takes a clip in that a browser sends without script.
pub async fn upload(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Refusal> {
    let clip = take_form(&bench, &headers, body).await?;
    Ok(onward(&format!("/aircraft/{id}/clips/{clip}")))
}

/// Takes the file of a form in as a clip, and hands its id on.
pub async fn take_form(bench: &Shared, headers: &HeaderMap, body: Body) -> Result<String, Refusal> {
    let file = multipart::first_file(headers, body).await?;
    let opening = bench.clone();
    let name = file.name;
    let part = blocking(move || opening.uploads.begin(&name, None, None)).await?;
    let whole = Span {
        first: 0,
        length: None,
        total: None,
    };
    if let Err(refusal) = bench.uploads.take(&part, whole, file.body).await {
        let forgetting = bench.clone();
        blocking(move || {
            forgetting.uploads.forget(&part.id);
            Ok(())
        })
        .await?;
        return Err(refusal);
    }
    let bench = bench.clone();
    blocking(move || {
        bench.uploads.finish(&part)?;
        Ok(part.id)
    })
    .await
}

/// Puts a clip into the line.
pub async fn order(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let asked = Asked {
            aircraft: id,
            camera: form.get("camera").to_owned(),
            clip: form.get("clip").to_owned(),
            level: form.filled("level"),
        };
        let measurement = place_order(&bench, &asked)?;
        Ok(onward(&format!("/measurements/{measurement}")))
    })
    .await
}
