//! Live sessions: frames in, figures out, and the orders of the person.

use std::time::{Duration, Instant};

use axum::body::{Body, Bytes, to_bytes};
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::Deserialize;

use crate::bench::blocking::blocking;
use crate::bench::live::body::{self, MOST_FRAME_BYTES};
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
    let asked: Asked = serde_json::from_slice(&body).map_err(|error| {
        Refusal::bad_request(
            format!("the order cannot be read: {error}"),
            "send {\"aircraft\": ID, \"camera\": ID}",
        )
    })?;
    blocking(move || {
        let session = bench.live.begin(&bench, asked)?;
        let answer = Json(serde_json::json!({ "id": session.id }));
        Ok((StatusCode::CREATED, answer).into_response())
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

#[derive(Deserialize)]
struct Taken {
    time_s: f64,
    /// The page that films.
    #[serde(default)]
    source: String,
    /// Whether it takes over from another page.
    #[serde(default)]
    take: bool,
}

/// Measures in a frame. Of frames that arrive while one is in work only the newest is measured; the
/// others are answered with the state as it is.
async fn frame(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    taken: Result<Query<Taken>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let session = bench.live.session(&id)?;
    let arrived = Instant::now();
    let Query(taken) = taken.map_err(|_| {
        Refusal::bad_request(
            "the frame does not say when it was taken",
            "send it to …/frames?time_s=SECONDS",
        )
    })?;
    let film = Film {
        time_s: taken.time_s,
        source: taken.source,
        takes_over: taken.take,
    };
    session.admit(&film)?;
    let dropped = || Ok(Json(Shown::dropped(&session)).into_response());
    let Some(_reading) = session.reading() else {
        return dropped();
    };
    let (parts, body) = request.into_parts();
    let body = read(body).await?;
    let Some(turn) = session.turns.take().await else {
        return dropped();
    };
    let working = session.clone();
    blocking(move || {
        let _turn = turn;
        let luma = body::read(&parts.headers, body)?;
        working.frame(&film, arrived, luma)?;
        Ok(Json(Shown::of(&working)).into_response())
    })
    .await
}

/// A frame that takes longer to arrive is too old to be of use.
const ARRIVAL_TIME: Duration = Duration::from_secs(3);

async fn read(body: Body) -> Result<Vec<u8>, Refusal> {
    let arriving = tokio::time::timeout(ARRIVAL_TIME, to_bytes(body, MOST_FRAME_BYTES));
    let arrived = arriving.await.map_err(|_| {
        let error = "the frame took too long to arrive";
        Refusal::new(
            StatusCode::REQUEST_TIMEOUT,
            error,
            "choose a smaller picture of the camera",
        )
    })?;
    let bytes = arrived.map_err(|error| {
        let is_too_large = std::error::Error::source(&error)
            .is_some_and(|cause| cause.is::<http_body_util::LengthLimitError>());
        match is_too_large {
            true => too_large(),
            false => Refusal::bad_request("the frame stopped arriving", "send the next one"),
        }
    })?;
    Ok(bytes.into())
}

/// A frame has more bytes than any camera sends.
pub fn too_large() -> Refusal {
    Refusal::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        format!("the frame has more than {MOST_FRAME_BYTES} bytes"),
        "choose a smaller picture of the camera, such as 1920 × 1080",
    )
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
    let asked: Station = serde_json::from_slice(&body).map_err(|error| {
        Refusal::bad_request(
            format!("the station cannot be read: {error}"),
            "send {\"stick_pct\": NUMBER}",
        )
    })?;
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
