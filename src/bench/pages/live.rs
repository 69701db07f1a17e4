//! Measuring while the camera runs: the page that begins a session, and the instrument itself.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::http::HeaderMap;
use axum::response::Response;
use serde::Deserialize;

use super::{At, Shell, host_of, onward, page};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::form::Form;
use crate::bench::guide::Device;
use crate::bench::live::{self, Session};
use crate::bench::{Bench, Refusal, Shared, ticks};
use crate::cautions::BEFORE_MOVING;
use crate::model_file::{MatchMotion, ModelFile, StationSource};

/// More stations than these are a list to choose from and no plan, such as that of all cards.
const MOST_STATIONS: usize = 25;

/// Stations that are offered where the model file has no plan, %: quarters of the travel.
const USUAL_STATIONS_PCT: [f64; 9] = [-100.0, -75.0, -50.0, -25.0, 0.0, 25.0, 50.0, 75.0, 100.0];

#[derive(Template)]
#[template(path = "live_begin.html", config = "src/bench/askama.toml")]
struct BeginPage {
    shell: Shell,
    id: String,
    is_confirmed: bool,
    /// Where one comes back to after the cautions.
    back: String,
    before_moving: &'static [&'static str],
    before: Option<String>,
    open: Vec<OpenSession>,
    cameras: Vec<(String, String)>,
    functions: Vec<String>,
}

struct OpenSession {
    id: String,
    words: String,
}

#[derive(Template)]
#[template(path = "live.html", config = "src/bench/askama.toml")]
struct Instrument {
    shell: Shell,
    id: String,
    aircraft: String,
    camera: String,
    /// The device that the camera profile was made with, where that is known.
    device: Option<String>,
    is_confirmed: bool,
    back: String,
    before_moving: &'static [&'static str],
    before: Option<String>,
    width_px: usize,
    height_px: usize,
    /// This computer as the browser names it, with the port.
    host: String,
    surfaces: Vec<String>,
    pairs: Vec<PairRow>,
    stations: Vec<f64>,
}

struct PairRow {
    follower: String,
    words: String,
    tolerance_deg: f64,
}

#[derive(Deserialize)]
pub struct Asked {
    before: Option<String>,
}

/// The page that begins a session.
pub async fn begin_page(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        let cameras = bench.workshop.cameras().into_iter();
        let cameras = cameras.filter(|camera| camera.profile.is_ok());
        let back = match &asked.before {
            Some(before) => format!("/aircraft/{id}/live?before={before}"),
            None => format!("/aircraft/{id}/live"),
        };
        page(&BeginPage {
            shell: Shell::step(
                format!("Measure {} live", course.aircraft.name()),
                &course,
                step_of(asked.before.as_deref()),
            ),
            is_confirmed: ticks::cautions_confirmed(&bench.store),
            back,
            before_moving: &BEFORE_MOVING,
            before: asked.before,
            open: open_sessions(&bench, &id),
            functions: functions(&course),
            cameras: cameras.map(|one| (one.id.clone(), one.name())).collect(),
            id,
        })
    })
    .await
}

/// The step of the job: a session after an earlier measurement checks the numbers.
fn step_of(before: Option<&str>) -> At {
    match before {
        Some(_) => At::Check,
        None => At::Film,
    }
}

fn functions(course: &Course) -> Vec<String> {
    let models = course.aircraft.model.iter();
    let functions = models.flat_map(|model| &model.functions);
    functions.map(|function| function.name.clone()).collect()
}

fn open_sessions(bench: &Bench, aircraft: &str) -> Vec<OpenSession> {
    let sessions = bench.live.all().into_iter();
    let mine = sessions.filter(|session| session.aircraft_id == aircraft);
    mine.map(|session| {
        let holds = match session.state().holds.len() {
            0 => "no holds yet".to_owned(),
            1 => "1 hold".to_owned(),
            count => format!("{count} holds"),
        };
        let filmed = if session.is_filmed() {
            ", a camera runs"
        } else {
            ""
        };
        OpenSession {
            words: format!("{}: {holds}{filmed}", session.profile.name),
            id: session.id.clone(),
        }
    })
    .collect()
}

/// Begins a session, or closes one.
pub async fn begin(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        if form.has("close") {
            bench.live.close(form.get("close"))?;
            return Ok(onward(&format!("/aircraft/{id}/live")));
        }
        let asked = live::Asked {
            aircraft: id,
            camera: form.get("camera").to_owned(),
            function: form.filled("function"),
            before: form.filled("before"),
        };
        let session = bench.live.begin(&bench, asked)?;
        Ok(onward(&format!("/live/{}", session.id)))
    })
    .await
}

/// The instrument.
pub async fn instrument(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    blocking(move || {
        let session = bench.live.session(&id)?;
        let aircraft = bench.workshop.aircraft_of(&session.aircraft_id)?;
        let course = Course::of(&bench, aircraft);
        let at = step_of(session.before.as_deref());
        page(&Instrument {
            shell: Shell::step(format!("{}, live", course.aircraft.name()), &course, at),
            is_confirmed: ticks::cautions_confirmed(&bench.store),
            back: format!("/live/{id}"),
            before_moving: &BEFORE_MOVING,
            host: host_of(&headers),
            stations: stations(&session.model),
            pairs: pairs(&session.model),
            surfaces: surfaces(&session),
            aircraft: session.aircraft_id.clone(),
            device: made_with(&bench, &session.camera_id),
            camera: session.camera_id.clone(),
            before: session.before.clone(),
            width_px: session.profile.width_px,
            height_px: session.profile.height_px,
            id,
        })
    })
    .await
}

/// The device that a camera profile was made with.
fn made_with(bench: &Bench, camera: &str) -> Option<String> {
    let camera = bench.workshop.camera_of(camera).ok()?;
    let device = Device::of(bench, &camera.file)?;
    Some(device.label).filter(|label| !label.is_empty())
}

fn surfaces(session: &Session) -> Vec<String> {
    let surfaces = session.model.surfaces.iter();
    surfaces.map(|surface| surface.name.clone()).collect()
}

fn pairs(model: &ModelFile) -> Vec<PairRow> {
    let of_functions = model.functions.iter().flat_map(|one| &one.matches);
    let groups = model.matches.iter().chain(of_functions);
    let rows = groups.flat_map(|group| {
        let sign = match group.motion {
            MatchMotion::Same => "minus",
            MatchMotion::Opposite => "plus",
        };
        group.followers.iter().map(move |follower| PairRow {
            follower: follower.clone(),
            words: format!("Difference: {follower} {sign} {}", group.reference),
            tolerance_deg: group.tolerance_deg,
        })
    });
    rows.collect()
}

/// All stick positions that the model file names, each once, from one end to the other.
fn stations(model: &ModelFile) -> Vec<f64> {
    let functions = model.functions.iter().map(|one| &one.stations);
    let sources = functions.chain([&model.stations]).map(|one| &one.source);
    let named = sources.flat_map(|source| match source {
        StationSource::Cards(cards) => cards.values().copied().collect(),
        StationSource::Order(order) => order.clone(),
        StationSource::Marks(_) | StationSource::Log(_) => Vec::new(),
    });
    let key = |pct: f64| (pct * 1000.0).round() as i64;
    let each: BTreeMap<i64, f64> = named.map(|pct| (key(pct), pct)).collect();
    match (1..=MOST_STATIONS).contains(&each.len()) {
        true => each.into_values().collect(),
        false => USUAL_STATIONS_PCT.to_vec(),
    }
}
