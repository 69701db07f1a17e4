//! Printing: the sheets of an aircraft as PDF, sized for the paper and corrected by the measured bar.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::film::Holds;
use super::{At, Shell, onward, page};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::form::Form;
use crate::bench::{Refusal, Shared, ticks};
use crate::print::{
    self, CardsPerSheet, DEFAULT_LEAN_DEG, Document, MeasuredBar, PageSetup, Paper,
};

#[derive(Template)]
#[template(path = "print.html", config = "src/bench/askama.toml")]
struct Print {
    shell: Shell,
    id: String,
    tags: Vec<String>,
    holds: Holds,
    is_printed: bool,
}

/// The paper and the bars, as a page asks for them.
#[derive(Deserialize, Default)]
pub struct Setup {
    #[serde(default)]
    paper: String,
    #[serde(default)]
    bar_short_mm: String,
    #[serde(default)]
    bar_long_mm: String,
}

impl Setup {
    pub fn page(&self) -> Result<PageSetup, Refusal> {
        let paper = match self.paper.as_str() {
            "letter" => Paper::Letter,
            _ => Paper::A4,
        };
        let bars: Vec<String> = [&self.bar_short_mm, &self.bar_long_mm]
            .iter()
            .map(|bar| bar.trim().replace(',', "."))
            .filter(|bar| !bar.is_empty())
            .collect();
        let measured_bar = match bars.is_empty() {
            true => None,
            false => Some(bars.join(",").parse::<MeasuredBar>()?),
        };
        Ok(PageSetup {
            paper,
            measured_bar,
        })
    }
}

pub async fn page_of(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        let model = course.aircraft.model.as_ref();
        let tags = model.iter().flat_map(|model| {
            let airframe = model.airframe_tags.iter();
            let airframe = airframe.map(|tag| (tag.id, "airframe", tag.edge_mm));
            let surfaces = model.surfaces.iter();
            let surfaces = surfaces.map(|one| (one.tag_id, one.name.as_str(), one.edge_mm));
            airframe.chain(surfaces)
        });
        page(&Print {
            shell: Shell::step(
                format!("Print for {}", course.aircraft.name()),
                &course,
                At::Print,
            ),
            tags: tags
                .map(|(tag, name, edge_mm)| format!("tag {tag}, {edge_mm} mm: {name}"))
                .collect(),
            holds: Holds::of(course.aircraft.model.as_ref().ok()),
            is_printed: course.is_printed,
            id,
        })
    })
    .await
}

/// Keeps that the tags are printed and measured, or are not.
pub async fn printed(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let aircraft = bench.workshop.aircraft_of(&id)?;
        let mut ticked = ticks::read(&bench.store, &aircraft.id);
        match form.get("printed") {
            "yes" => ticked.insert(ticks::PRINTED.into()),
            _ => ticked.remove(ticks::PRINTED),
        };
        ticks::write(&bench.store, &aircraft.id, &ticked)?;
        Ok(onward(&format!("/aircraft/{id}")))
    })
    .await
}

/// A PDF for the browser's own viewer.
pub async fn pdf(
    State(bench): State<Shared>,
    Path((id, what)): Path<(String, String)>,
    Query(setup): Query<Setup>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let setup = setup.page()?;
        let model = bench.workshop.aircraft_of(&id)?.model?;
        let per_sheet = CardsPerSheet::try_from(4_u32)?;
        let document = match what.as_str() {
            "kit.pdf" => print::kit(&model, DEFAULT_LEAN_DEG, per_sheet, &setup)?,
            "cards.pdf" => print::cards(&print::station_cards(&model, &[])?, per_sheet, &setup)?,
            _ => return Err(Refusal::not_found("print")),
        };
        Ok(shown(&document, &what))
    })
    .await
}

/// A document as an answer.
pub fn shown(document: &Document, name: &str) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "application/pdf".to_owned()),
        (header::CONTENT_DISPOSITION, format!("inline; filename=\"{name}\"")),
        // The browser's viewer uses styles of its own.
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'unsafe-inline'; plugin-types application/pdf; object-src 'self'"
                .to_owned(),
        ),
    ];
    (headers, document.pdf()).into_response()
}
