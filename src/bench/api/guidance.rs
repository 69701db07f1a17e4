//! Calibrations while the camera runs: pictures in, what to show next out.

use axum::body::Bytes;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;

use super::{read_json, with_id};
use crate::bench::blocking::blocking;
use crate::bench::frames::body;
use crate::bench::guide::{Asked, Device};
use crate::bench::{Refusal, Shared};

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/api/guidance", post(begin))
        .route("/api/guidance/{id}", get(state).delete(close))
        .route("/api/guidance/{id}/frames", post(frame))
        .route("/api/guidance/{id}/device", post(device))
        .route("/api/guidance/{id}/undo", post(undo))
        .route("/api/guidance/{id}/finish", post(finish))
}

async fn begin(State(bench): State<Shared>, body: Bytes) -> Result<Response, Refusal> {
    let help =
        "send {\"name\": NAME, \"board\": {\"columns\", \"rows\", \"square_mm\", \"markers\"}}";
    let asked: Asked = read_json(&body, "order", help)?;
    blocking(move || {
        let session = bench.guides.begin(&bench, asked)?;
        Ok(with_id(StatusCode::CREATED, &session.id))
    })
    .await
}

async fn state(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    let session = bench.guides.session(&id)?;
    blocking(move || Ok(Json(session.shown()).into_response())).await
}

async fn close(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    bench.guides.close(&id)?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

#[derive(Deserialize)]
struct Taken {
    time_s: f64,
}

/// Looks at a picture. Of pictures that arrive while one is in work only the newest is looked at; the
/// others are answered with the state as it is.
async fn frame(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    taken: Result<Query<Taken>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let session = bench.guides.session(&id)?;
    let Query(taken) = taken.map_err(|_| {
        Refusal::bad_request(
            "the picture does not say when it was taken",
            "send it to …/frames?time_s=SECONDS",
        )
    })?;
    let working = session.clone();
    let dropped = || blocking(move || Ok(Json(working.shown().dropped()).into_response()));
    let Some(_reading) = session.turns.reading() else {
        return dropped().await;
    };
    let (parts, body) = request.into_parts();
    let body = body::read(body).await?;
    let Some(turn) = session.turns.take().await else {
        return dropped().await;
    };
    let working = session.clone();
    blocking(move || {
        let _turn = turn;
        let luma = body::picture(&parts.headers, body)?;
        Ok(Json(working.look(taken.time_s, &luma.image)?).into_response())
    })
    .await
}

async fn device(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<Response, Refusal> {
    let session = bench.guides.session(&id)?;
    let help = "send {\"label\", \"width_px\", \"height_px\", \"frames_per_s\", \"focus\"}";
    let device: Device = read_json(&body, "device", help)?;
    blocking(move || {
        session.note_device(device)?;
        Ok(StatusCode::NO_CONTENT.into_response())
    })
    .await
}

async fn undo(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    let session = bench.guides.session(&id)?;
    blocking(move || Ok(Json(session.undo()?).into_response())).await
}

/// Orders the profile; the answer names it.
async fn finish(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    let session = bench.guides.session(&id)?;
    blocking(move || {
        let camera = session.finish(&bench)?;
        bench.guides.close(&id)?;
        let answer = Json(serde_json::json!({ "camera": camera }));
        Ok((StatusCode::ACCEPTED, answer).into_response())
    })
    .await
}
