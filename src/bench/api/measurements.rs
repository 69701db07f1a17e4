//! Measurements: asked for, watched, cancelled, and read.

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::{read_json, with_id};
use crate::bench::blocking::blocking;
use crate::bench::line::{Advance, Entry, Order, State as LineState};
use crate::bench::workshop::Measured;
use crate::bench::{Bench, Refusal, Shared, measure};
use crate::{measurement, report};

/// What is sent of a measurement's folder, and as what.
const FILES: [(&str, &str); 6] = [
    (measurement::FILE_NAME, "application/json"),
    (report::PAGE, "text/html; charset=utf-8"),
    ("frames.csv", "text/csv; charset=utf-8"),
    ("stations.csv", "text/csv; charset=utf-8"),
    ("marked.svg", "image/svg+xml"),
    (report::UNFINISHED_PAGE, "text/html; charset=utf-8"),
];

/// Reports may show what they hold and nothing else: no script, no address, no form.
pub const SANDBOX: &str = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                           frame-ancestors 'self'";

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/api/measurements", get(list).post(order))
        .route("/api/measurements/{id}", get(state).delete(cancel))
        .route("/api/measurements/{id}/resume", post(resume))
        .route("/api/measurements/{id}/{file}", get(file))
}

/// One measurement, done or in the line.
#[derive(Debug, Serialize)]
struct Item {
    id: String,
    name: String,
    aircraft: String,
    date: Option<String>,
    #[serde(flatten)]
    state: Shown,
}

/// How far a measurement is.
#[derive(Debug, Serialize)]
pub struct Shown {
    pub state: &'static str,
    /// Part that is done, 0 to 1.
    pub progress: f64,
    pub error: Option<String>,
    pub help: Option<String>,
    /// What is being done.
    pub work: String,
    pub left_s: Option<f64>,
    /// How many orders come before it.
    pub before: usize,
}

impl Shown {
    fn new(state: &'static str, progress: f64) -> Self {
        Self {
            state,
            progress,
            error: None,
            help: None,
            work: String::new(),
            left_s: None,
            before: 0,
        }
    }

    /// Of an order in the line.
    pub fn of(entry: &Entry) -> Self {
        match &entry.state {
            LineState::Waiting => Self {
                before: entry.before,
                ..Self::new("waiting", 0.0)
            },
            LineState::Running => Self {
                work: entry.advance.work.clone(),
                left_s: entry.advance.left_s,
                ..Self::new("running", part_done(&entry.advance))
            },
            LineState::Failed { error, help, .. } => Self {
                error: Some(error.clone()),
                help: Some(help.clone()),
                ..Self::new("failed", 0.0)
            },
        }
    }
}

fn part_done(advance: &Advance) -> f64 {
    match advance.total {
        Some(total) if total > 0 => (advance.done as f64 / total as f64).min(1.0),
        _ => 0.0,
    }
}

async fn list(State(bench): State<Shared>) -> Result<impl IntoResponse, Refusal> {
    blocking(move || {
        let in_line = bench.line.entries();
        let in_line = in_line.iter().filter_map(|entry| {
            let Order::Measure(order) = &entry.order else {
                return None;
            };
            Some(Item {
                id: entry.id.clone(),
                name: order.out.display().to_string(),
                aircraft: order.aircraft.display().to_string(),
                date: None,
                state: Shown::of(entry),
            })
        });
        let done = bench.workshop.measurements();
        let done = done.into_iter().map(|measured| Item {
            id: measured.id,
            name: measured.folder.display().to_string(),
            aircraft: measured.measurement.model.clone(),
            date: measured.measurement.date.clone(),
            state: Shown::new("done", 1.0),
        });
        Ok(Json(in_line.chain(done).collect::<Vec<_>>()))
    })
    .await
}

/// What is to be measured, by the ids of its files.
#[derive(Debug, Deserialize)]
pub struct Asked {
    pub aircraft: String,
    pub camera: String,
    pub clip: String,
    /// The clip in which the surfaces are held level with each other.
    #[serde(default)]
    pub level: Option<String>,
}

async fn order(State(bench): State<Shared>, body: Bytes) -> Result<Response, Refusal> {
    let help = "send {\"aircraft\": ID, \"camera\": ID, \"clip\": ID}";
    let asked: Asked = read_json(&body, "order", help)?;
    blocking(move || {
        let id = place_order(&bench, &asked)?;
        Ok(with_id(StatusCode::ACCEPTED, &id))
    })
    .await
}

/// Checks an order and puts it into the line.
pub fn place_order(bench: &Bench, asked: &Asked) -> Result<String, Refusal> {
    let aircraft = bench.workshop.aircraft_of(&asked.aircraft)?.file;
    let camera = bench.workshop.camera_of(&asked.camera)?.file;
    let clip = bench.workshop.clip_of(&asked.clip)?.file;
    let level = asked
        .level
        .as_deref()
        .map(|level| bench.workshop.clip_of(level));
    let level = level.transpose()?.map(|level| level.file);
    let order = measure::Order {
        out: measure::free_folder(&aircraft, &clip, |folder| bench.is_free(folder)),
        aircraft,
        camera,
        clip,
        level,
    };
    order.check(&bench.workshop.path("".as_ref()))?;
    bench.line.add(Order::Measure(order))
}

async fn state(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    blocking(move || {
        let shown = match bench.line.entry(&id) {
            Some(entry) => Shown::of(&entry),
            None => {
                bench.workshop.measurement_of(&id)?;
                Shown::new("done", 1.0)
            }
        };
        Ok(Json(shown).into_response())
    })
    .await
}

async fn cancel(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    blocking(move || {
        bench.line.cancel(&id)?;
        Ok(StatusCode::NO_CONTENT.into_response())
    })
    .await
}

async fn resume(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    blocking(move || {
        bench.line.resume(&id)?;
        Ok(with_id(StatusCode::ACCEPTED, &id))
    })
    .await
}

async fn file(
    State(bench): State<Shared>,
    Path((id, name)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    let known = FILES.iter().find(|(known, _)| *known == name);
    let &(name, kind) = known.ok_or_else(|| Refusal::not_found("file"))?;
    blocking(move || {
        let folder = folder_of(&bench, &id)?;
        let read = bench.workshop.read(&folder.join(name));
        let bytes = read.ok_or_else(|| Refusal::not_found("file"))?;
        let headers = [
            (header::CONTENT_TYPE, kind),
            (header::CONTENT_SECURITY_POLICY, SANDBOX),
        ];
        Ok((headers, bytes).into_response())
    })
    .await
}

/// The folder of a measurement, also of one that failed and left a page.
fn folder_of(bench: &Bench, id: &str) -> Result<std::path::PathBuf, Refusal> {
    if let Some(Entry {
        order: Order::Measure(order),
        ..
    }) = bench.line.entry(id)
    {
        return Ok(order.out);
    }
    let Measured { folder, .. } = bench.workshop.measurement_of(id)?;
    Ok(folder)
}
