//! Live sessions: frames in, figures out, and the orders of the person.

use std::time::Instant;

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
use crate::bench::live::{self, Asked, Film, Session, Shown};
use crate::bench::{Refusal, Shared};
use crate::live::{LiveError, LiveSession};

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/api/live", get(list).post(begin))
        .route("/api/live/{id}", get(state).delete(close))
        .route("/api/live/{id}/frames", post(frame))
        .route("/api/live/{id}/stations", post(station))
        .route("/api/live/{id}/finish", post(finish))
        .route("/api/live/{id}/{order}", post(order))
}

async fn list(State(bench): State<Shared>) -> impl IntoResponse {
    let sessions = bench.live.all().into_iter().map(|session| {
        serde_json::json!({
            "id": session.id, "aircraft": session.aircraft_id, "camera": session.camera_id,
            "holds": session.state().holds.len(), "filmed": session.is_filmed(),
        })
    });
    Json(sessions.collect::<Vec<_>>())
}

async fn begin(State(bench): State<Shared>, body: Bytes) -> Result<Response, Refusal> {
    let help = "send {\"aircraft\": ID, \"camera\": ID}";
    let asked: Asked = read_json(&body, "order", help)?;
    blocking(move || {
        let session = bench.live.begin(&bench, asked)?;
        Ok(with_id(StatusCode::CREATED, &session.id))
    })
    .await
}

async fn state(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    let session = bench.live.session(&id)?;
    Ok(Json(Shown::with_holds(&session)).into_response())
}

async fn close(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    bench.live.close(&id)?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// Measures in a frame. Of frames that arrive while one is in work only the newest is measured; the
/// others are answered with the state as it is.
async fn frame(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    film: Result<Query<Film>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let session = bench.live.session(&id)?;
    let arrived = Instant::now();
    let Query(film) = film.map_err(|_| {
        Refusal::bad_request(
            "the frame does not say when it was taken",
            "send it to …/frames?time_s=SECONDS",
        )
    })?;
    session.admit(&film)?;
    let dropped = || Ok(Json(Shown::dropped(&session)).into_response());
    let Some(_reading) = session.turns.reading() else {
        return dropped();
    };
    let (parts, body) = request.into_parts();
    let body = body::read(body).await?;
    let Some(turn) = session.turns.take().await else {
        return dropped();
    };
    let working = session.clone();
    blocking(move || {
        let _turn = turn;
        let luma = body::picture(&parts.headers, body)?;
        working.frame(&film, arrived, luma)?;
        Ok(Json(Shown::of(&working)).into_response())
    })
    .await
}

#[derive(Deserialize)]
struct Station {
    /// Missing for the declared order.
    stick_pct: Option<f64>,
}

async fn station(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<Response, Refusal> {
    let session = bench.live.session(&id)?;
    let asked: Station = read_json(&body, "station", "send {\"stick_pct\": NUMBER}")?;
    obey(session, move |engine| engine.next_station(asked.stick_pct)).await
}

/// An order of the person that needs no more words.
async fn order(
    State(bench): State<Shared>,
    Path((id, order)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    let session = bench.live.session(&id)?;
    let work: fn(&mut LiveSession) -> Result<(), LiveError> = match order.as_str() {
        "hold" => LiveSession::hold_now,
        "undo" => LiveSession::undo,
        "skip" => |engine| {
            engine.skip();
            Ok(())
        },
        "neutral" => LiveSession::set_neutral,
        "clear-neutral" => |engine| {
            engine.clear_neutral();
            Ok(())
        },
        "peaks" => |engine| {
            engine.clear_peaks();
            Ok(())
        },
        "by-hand" => |engine| {
            engine.keep_by_itself(false);
            Ok(())
        },
        "by-itself" => |engine| {
            engine.keep_by_itself(true);
            Ok(())
        },
        _ => return Err(Refusal::not_found("order for a live session")),
    };
    obey(session, work).await
}

async fn obey(
    session: std::sync::Arc<Session>,
    work: impl FnOnce(&mut LiveSession) -> Result<(), LiveError> + Send + 'static,
) -> Result<Response, Refusal> {
    blocking(move || {
        session.order(work)?;
        Ok(Json(Shown::with_holds(&session)).into_response())
    })
    .await
}

async fn finish(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    let session = bench.live.session(&id)?;
    blocking(move || {
        let measurement = live::finish(&bench, &session)?;
        let answer = Json(serde_json::json!({ "measurement": measurement }));
        Ok(answer.into_response())
    })
    .await
}
