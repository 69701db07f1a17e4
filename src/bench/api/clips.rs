//! Clips: taken in, whole or in chunks, and what is known of them.

use axum::Json;
use axum::Router;
use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde::{Deserialize, Serialize};

use crate::bench::blocking::blocking;
use crate::bench::ids::{Kind, id};
use crate::bench::uploads::{Part, Span};
use crate::bench::{Bench, Refusal, Shared};
use crate::clip::{Clip, ClipOptions, container};

/// Where the next chunk of an upload begins (Resumable Uploads for HTTP, an IETF draft).
const UPLOAD_OFFSET: &str = "upload-offset";

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/api/clips", post(begin))
        .route("/api/clips/{id}", get(known).patch(go_on).delete(forget))
}

/// What is known of a clip.
#[derive(Debug, Serialize)]
pub struct About {
    pub id: String,
    pub name: String,
    pub bytes: u64,
    pub width_px: usize,
    pub height_px: usize,
    pub codec: String,
    pub duration_s: Option<f64>,
    pub frames_per_s: Option<f64>,
    /// Ids of the cameras whose pictures have this shape.
    pub fits: Vec<String>,
}

impl About {
    /// Looks at a clip.
    pub fn clip(bench: &Bench, file: &std::path::Path) -> Result<Self, Refusal> {
        let path = bench.workshop.path(file);
        let clip = Clip::open(&path, &ClipOptions::default())?;
        let info = clip.info();
        let (width_px, height_px) = (info.width_px, info.height_px);
        let container = container(&path)?;
        let fits = bench.workshop.cameras().into_iter().filter(|camera| {
            let profile = camera.profile.as_ref();
            profile.is_ok_and(|profile| profile.for_picture(width_px, height_px).is_ok())
        });
        Ok(Self {
            id: id(Kind::Clip, file),
            name: file
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into(),
            bytes: std::fs::metadata(&path).map_or(0, |metadata| metadata.len()),
            width_px,
            height_px,
            codec: container.codec,
            duration_s: container.duration_s,
            frames_per_s: container.frames_per_s,
            fits: fits.map(|camera| camera.id).collect(),
        })
    }
}

#[derive(Deserialize)]
struct Begin {
    name: String,
    /// Size of the whole clip, where it comes in chunks.
    bytes: Option<u64>,
    /// When it was last changed where it comes from, ms since 1970.
    changed_ms: Option<u64>,
}

/// Takes a clip in, or its first chunk, or only its name and size.
async fn begin(
    State(bench): State<Shared>,
    query: Result<Query<Begin>, axum::extract::rejection::QueryRejection>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Refusal> {
    let Query(asked) = query.map_err(|_| {
        Refusal::bad_request("the clip has no name", "send it to /api/clips?name=NAME")
    })?;
    let length = content_length(&headers);
    let chunk = content_range(&headers)?;
    let total = asked.bytes.or(chunk.and_then(|span| span.total));
    let only_begins = length == Some(0);
    let whole = Span {
        first: 0,
        length,
        total: total.or(length.filter(|_| chunk.is_none() && !only_begins)),
    };
    let span = chunk.unwrap_or(whole);
    let opening = bench.clone();
    let changed_ms = asked.changed_ms;
    let part = blocking(move || {
        opening
            .uploads
            .begin(&asked.name, span.total.or(total), changed_ms)
    });
    let part = part.await?;
    if only_begins {
        let answer = blocking(move || Ok(arrived(&bench, &part))).await?;
        return Ok((StatusCode::CREATED, answer).into_response());
    }
    if let Err(refusal) = bench.uploads.take(&part, span, body).await {
        // Whoever sends a clip whole does not know its id yet, and cannot go on.
        blocking(move || {
            bench.uploads.forget(&part.id);
            Ok(())
        })
        .await?;
        return Err(refusal);
    }
    let answer = settled(bench, part, chunk.is_none()).await?;
    Ok((StatusCode::CREATED, answer).into_response())
}

/// Takes the next chunk in.
async fn go_on(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Refusal> {
    let asking = bench.clone();
    let part = blocking(move || asking.uploads.part(&id)).await?;
    let span = content_range(&headers)?.ok_or_else(|| {
        Refusal::bad_request(
            "this chunk does not say where it belongs",
            "send Content-Range: bytes FIRST-LAST/TOTAL",
        )
    })?;
    bench.uploads.take(&part, span, body).await?;
    let total_bytes = part.total_bytes.or(span.total);
    settled(
        bench,
        Part {
            total_bytes,
            ..part
        },
        false,
    )
    .await
}

/// What came, once all is there; until then how much is.
async fn settled(bench: Shared, part: Part, is_whole: bool) -> Result<Response, Refusal> {
    blocking(move || {
        let arrived_bytes = bench.uploads.arrived(&part.id);
        if !is_whole && part.total_bytes.is_none_or(|total| arrived_bytes < total) {
            return Ok(arrived(&bench, &part));
        }
        let file = bench.uploads.finish(&part)?;
        Ok(Json(About::clip(&bench, &file)?).into_response())
    })
    .await
}

fn arrived(bench: &Bench, part: &Part) -> Response {
    let bytes = bench.uploads.arrived(&part.id);
    let body = serde_json::json!({"id": part.id, "bytes": bytes, "total": part.total_bytes});
    ([(UPLOAD_OFFSET, bytes.to_string())], Json(body)).into_response()
}

/// What is known of a clip, or how much of it has arrived.
async fn known(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    blocking(move || {
        if let Ok(part) = bench.uploads.part(&id) {
            return Ok(arrived(&bench, &part));
        }
        let clip = bench.workshop.clip_of(&id)?;
        let about = About::clip(&bench, &clip.file)?;
        let offset = [(UPLOAD_OFFSET, about.bytes.to_string())];
        Ok((offset, Json(about)).into_response())
    })
    .await
}

/// Gives an upload up.
async fn forget(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    blocking(move || {
        let part = bench.uploads.part(&id)?;
        bench.uploads.forget(&part.id);
        Ok(StatusCode::NO_CONTENT.into_response())
    })
    .await
}

fn content_length(headers: &HeaderMap) -> Option<u64> {
    headers
        .get(header::CONTENT_LENGTH)?
        .to_str()
        .ok()?
        .parse()
        .ok()
}

fn content_range(headers: &HeaderMap) -> Result<Option<Span>, Refusal> {
    let Some(value) = headers.get(header::CONTENT_RANGE) else {
        return Ok(None);
    };
    let span = value.to_str().ok().and_then(Span::of_content_range);
    span.map(Some).ok_or_else(|| {
        Refusal::bad_request(
            "the Content-Range cannot be read",
            "write bytes FIRST-LAST/TOTAL, such as bytes 0-8388607/90000000",
        )
    })
}
