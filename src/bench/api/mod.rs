//! What programs ask for: lists, clips, measurements and live sessions as JSON.

pub mod clips;
pub mod guidance;
pub mod live;
pub mod measurements;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::blocking::blocking;
use super::{Refusal, Shared};

/// All that programs may ask for.
pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/api/aircraft", get(aircraft))
        .route("/api/cameras", get(cameras))
        .merge(clips::routes())
        .merge(guidance::routes())
        .merge(live::routes())
        .merge(measurements::routes())
}

/// Reads the JSON of a request; `what` it is and the `help` say what is wrong with another one.
///
/// # Errors
/// It is not JSON, or not what is asked for.
fn read_json<T: DeserializeOwned>(body: &[u8], what: &str, help: &str) -> Result<T, Refusal> {
    serde_json::from_slice(body)
        .map_err(|error| Refusal::bad_request(format!("the {what} cannot be read: {error}"), help))
}

/// An answer with the id of what a request made or went on with.
fn with_id(status: StatusCode, id: &str) -> Response {
    (status, Json(serde_json::json!({ "id": id }))).into_response()
}

/// What is answered for an address that means nothing.
pub async fn nothing_here() -> impl IntoResponse {
    Refusal::not_found("page")
}

#[derive(Serialize)]
struct AircraftEntry {
    id: String,
    name: String,
    surfaces: Vec<String>,
    faults: usize,
}

async fn aircraft(State(bench): State<Shared>) -> Result<impl IntoResponse, Refusal> {
    blocking(move || {
        let entries = bench.workshop.aircraft().into_iter().map(|aircraft| {
            let surfaces = aircraft.model.iter().flat_map(|model| &model.surfaces);
            AircraftEntry {
                surfaces: surfaces.map(|surface| surface.name.clone()).collect(),
                faults: usize::from(aircraft.model.is_err()),
                name: aircraft.name(),
                id: aircraft.id,
            }
        });
        Ok(Json(entries.collect::<Vec<_>>()))
    })
    .await
}

#[derive(Serialize)]
struct CameraEntry {
    id: String,
    name: String,
    width_px: Option<usize>,
    height_px: Option<usize>,
}

async fn cameras(State(bench): State<Shared>) -> Result<impl IntoResponse, Refusal> {
    blocking(move || {
        let entries = bench.workshop.cameras().into_iter().map(|camera| {
            let profile = camera.profile.as_ref().ok();
            CameraEntry {
                width_px: profile.map(|profile| profile.width_px),
                height_px: profile.map(|profile| profile.height_px),
                name: camera.name(),
                id: camera.id,
            }
        });
        Ok(Json(entries.collect::<Vec<_>>()))
    })
    .await
}
