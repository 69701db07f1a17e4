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
const MARK: &str = include_str!("assets/bench.svg");

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/bench.css", get(|| asset("text/css", STYLE)))
        .route("/upload.js", get(|| asset(SCRIPT, UPLOAD)))
        .route("/progress.js", get(|| asset(SCRIPT, PROGRESS)))
        .route("/pair.js", get(|| asset(SCRIPT, PAIR)))
        .route("/ticks.js", get(|| asset(SCRIPT, TICKS)))
        .route("/bench.svg", get(|| asset("image/svg+xml", MARK)))
}

async fn asset(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}
