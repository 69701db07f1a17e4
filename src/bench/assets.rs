//! Style and script of the pages, built into the program.

use axum::Router;
use axum::http::header;
use axum::response::IntoResponse;
use axum::routing::get;

use super::Shared;

const STYLE: &str = include_str!("assets/bench.css");
const SCRIPT: &str = "text/javascript; charset=utf-8";
const UPLOAD: &str = include_str!("assets/upload.js");
const PROGRESS: &str = include_str!("assets/progress.js");
const PAIR: &str = include_str!("assets/pair.js");
const TICKS: &str = include_str!("assets/ticks.js");
const GUIDE: &str = include_str!("assets/guide.js");
const GUIDE_STYLE: &str = include_str!("assets/guide.css");
const LIVE: &str = include_str!("assets/live.js");
const LIVE_CAMERA: &str = include_str!("assets/live-camera.js");
const LIVE_DRAW: &str = include_str!("assets/live-draw.js");
const LIVE_FIGURES: &str = include_str!("assets/live-figures.js");
const LIVE_SOUND: &str = include_str!("assets/live-sound.js");
const LIVE_STYLE: &str = include_str!("assets/live.css");
const MARK: &str = include_str!("assets/bench.svg");

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/bench.css", get(|| asset("text/css", STYLE)))
        .route("/upload.js", get(|| asset(SCRIPT, UPLOAD)))
        .route("/progress.js", get(|| asset(SCRIPT, PROGRESS)))
        .route("/pair.js", get(|| asset(SCRIPT, PAIR)))
        .route("/ticks.js", get(|| asset(SCRIPT, TICKS)))
        .route("/guide.js", get(|| asset(SCRIPT, GUIDE)))
        .route("/guide.css", get(|| asset("text/css", GUIDE_STYLE)))
        .route("/live.js", get(|| asset(SCRIPT, LIVE)))
        .route("/live-camera.js", get(|| asset(SCRIPT, LIVE_CAMERA)))
        .route("/live-draw.js", get(|| asset(SCRIPT, LIVE_DRAW)))
        .route("/live-figures.js", get(|| asset(SCRIPT, LIVE_FIGURES)))
        .route("/live-sound.js", get(|| asset(SCRIPT, LIVE_SOUND)))
        .route("/live.css", get(|| asset("text/css", LIVE_STYLE)))
        .route("/bench.svg", get(|| asset("image/svg+xml", MARK)))
}

async fn asset(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}
