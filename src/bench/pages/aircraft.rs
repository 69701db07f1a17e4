//! One aircraft: what comes next, and everything else that can be done with it.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;

use super::{At, Shell, page};
use crate::bench::blocking::blocking;
use crate::bench::course::{Course, Next};
use crate::bench::workshop::Measured;
use crate::bench::{Refusal, Shared};
use crate::report::Headline;

#[derive(Template)]
#[template(path = "aircraft.html", config = "src/bench/askama.toml")]
struct Overview {
    shell: Shell,
    id: String,
    about: String,
    last: String,
    next: Next,
    measured: Vec<Row>,
}

/// One measurement in a list.
pub struct Row {
    pub id: String,
    pub day: String,
    pub clip: String,
    pub found: &'static str,
}

impl Row {
    pub fn of(measured: &Measured) -> Self {
        let measurement = &measured.measurement;
        Self {
            id: measured.id.clone(),
            day: measurement
                .date
                .clone()
                .unwrap_or_else(|| "unknown day".into()),
            clip: measured.folder.display().to_string(),
            found: Headline::of(measurement).words,
        }
    }
}

pub async fn overview(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        page(&Overview {
            shell: Shell::step(course.aircraft.name(), &course, At::Overview),
            id,
            about: super::home::about(&course),
            last: course.last(),
            next: course.next(),
            measured: course.measured.iter().map(Row::of).collect(),
        })
    })
    .await
}
