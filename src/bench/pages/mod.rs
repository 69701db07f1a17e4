//! Pages: what a person sees and fills in. All of them work without script, except the live
//! page, which reads the camera; script adds the progress of uploads, ticks that are kept at once, and
//! pages that renew themselves.

mod aircraft;
mod calibration;
mod camera;
mod compare;
mod edit;
mod film;
mod guide;
mod home;
mod live;
mod look;
mod measured;
mod new;
mod numbers;
mod phone;
mod print;
mod shell;

use askama::Template;
use axum::Router;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};

use super::{Refusal, Shared};
use crate::names::without_unseen;
use crate::report::sentence;
use shell::{At, Place, Shell};

pub fn routes() -> Router<Shared> {
    Router::new()
        .route("/", get(home::home))
        .route("/cautions", post(film::confirm))
        .route("/aircraft/new", get(new::form).post(new::create))
        .route("/aircraft/{id}", get(aircraft::overview))
        .route("/aircraft/{id}/edit", get(edit::form).post(edit::save))
        .route("/aircraft/{id}/text", get(edit::text).post(edit::save_text))
        .route(
            "/aircraft/{id}/print",
            get(print::page_of).post(print::printed),
        )
        .route("/aircraft/{id}/print/{what}", get(print::pdf))
        .route("/aircraft/{id}/film", get(film::film).post(film::order))
        .route(
            "/aircraft/{id}/live",
            get(live::begin_page).post(live::begin),
        )
        .route("/live/{id}", get(live::instrument))
        .route("/aircraft/{id}/upload", post(film::upload))
        .route("/aircraft/{id}/clips/{clip}", get(look::look))
        .route(
            "/aircraft/{id}/clips/{clip}/picture.svg",
            get(look::picture),
        )
        .route("/aircraft/{id}/history", get(compare::history))
        .route("/aircraft/{id}/setup-sheet.html", get(compare::sheet))
        .route(
            "/measurements/{id}",
            get(measured::measured).post(measured::act),
        )
        .route("/measurements/{id}/report", get(measured::report))
        .route(
            "/measurements/{id}/numbers",
            get(numbers::numbers).post(numbers::tick),
        )
        .route("/measurements/{id}/entered", post(numbers::entered))
        .route("/compare/{before}/{after}", get(compare::compare))
        .route(
            "/compare/{before}/{after}/comparison.html",
            get(compare::comparison),
        )
        .route("/phone", get(phone::phone).post(phone::act))
        .route("/pair", get(phone::pair))
        .route("/api/pair", post(phone::paired))
        .route("/camera", get(camera::list))
        .route(
            "/camera/new",
            get(calibration::form).post(calibration::order),
        )
        .route("/camera/live", get(guide::form).post(guide::begin))
        .route("/camera/live/{id}", get(guide::instrument))
        .route("/camera/upload", post(calibration::upload))
        .route("/camera/board.pdf", get(calibration::board))
        .route("/camera/{id}", get(camera::one))
        .route("/camera/{id}/report.html", get(camera::report))
}

/// A rendered template as an answer.
fn page(template: &impl Template) -> Result<Response, Refusal> {
    html(template, StatusCode::OK)
}

fn html(template: &impl Template, status: StatusCode) -> Result<Response, Refusal> {
    let text = template.render().map_err(|_| Refusal::fault())?;
    Ok(html_of(without_unseen(&text), status))
}

/// A page whose form carries the text of a file, which has to come back as it was.
fn html_with_text(template: &impl Template, status: StatusCode) -> Result<Response, Refusal> {
    let text = template.render().map_err(|_| Refusal::fault())?;
    Ok(html_of(text, status))
}

fn html_of(text: String, status: StatusCode) -> Response {
    let kind = [(header::CONTENT_TYPE, "text/html; charset=utf-8")];
    (status, kind, text).into_response()
}

/// Sends the browser on to another page, after something was changed.
fn onward(address: &str) -> Response {
    (
        StatusCode::SEE_OTHER,
        [(header::LOCATION, address.to_owned())],
    )
        .into_response()
}

/// This computer as the browser names it, with the port.
fn host_of(headers: &HeaderMap) -> String {
    let host = headers
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    host.unwrap_or_default().to_owned()
}

/// A page written by a report, kept from everything else.
fn sandboxed(text: impl Into<axum::body::Body>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8"),
        (
            header::CONTENT_SECURITY_POLICY,
            super::api::measurements::SANDBOX,
        ),
    ];
    (headers, text.into()).into_response()
}

#[derive(Template)]
#[template(path = "refusal.html", config = "src/bench/askama.toml")]
struct RefusalPage {
    shell: Shell,
    error: String,
    help: String,
}

/// A refusal as a page.
pub fn refusal_page(refusal: &Refusal) -> Response {
    let title = match refusal.status() {
        StatusCode::NOT_FOUND => "Not found",
        StatusCode::UNAUTHORIZED => "Not paired",
        StatusCode::INTERNAL_SERVER_ERROR => "The program failed",
        _ => "This did not work",
    };
    let template = RefusalPage {
        shell: Shell::of(title, Place::Elsewhere),
        error: sentence(refusal.error()),
        help: sentence(refusal.help()),
    };
    html(&template, refusal.status()).unwrap_or_else(|_| refusal.status().into_response())
}
