//! Calibrating while the camera runs: the page that begins, and the guide itself.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::calibration::{Wrong, board_of, name_of, usual_form};
use super::{Place, Shell, host_of, html, onward, page, sentence};
use crate::bench::blocking::blocking;
use crate::bench::form::Form;
use crate::bench::guide::Asked;
use crate::bench::{Bench, Refusal, Shared};

#[derive(Template)]
#[template(path = "guide_begin.html", config = "src/bench/askama.toml")]
struct BeginPage {
    shell: Shell,
    form: Form,
    error: String,
    field: &'static str,
}

impl BeginPage {
    fn of(form: Form, field: &'static str, error: String) -> Self {
        Self {
            shell: Shell::of("Calibrate with the camera running", Place::Camera),
            form,
            error,
            field,
        }
    }
}

#[derive(Template)]
#[template(path = "guide.html", config = "src/bench/askama.toml")]
struct Instrument {
    shell: Shell,
    id: String,
    /// This computer as the browser names it, with the port.
    host: String,
    board: String,
    folder: String,
}

/// The page that begins a calibration.
pub async fn form() -> Result<Response, Refusal> {
    blocking(move || page(&BeginPage::of(usual_form("")?, "", String::new()))).await
}

/// Begins a calibration.
pub async fn begin(State(bench): State<Shared>, form: Form) -> Result<Response, Refusal> {
    blocking(move || match begun(&bench, &form) {
        Ok(id) => Ok(onward(&format!("/camera/live/{id}"))),
        Err((field, error)) => {
            let template = BeginPage::of(form, field, sentence(&error));
            html(&template, StatusCode::UNPROCESSABLE_ENTITY)
        }
    })
    .await
}

fn begun(bench: &Bench, form: &Form) -> Result<String, Wrong> {
    let asked = Asked {
        name: name_of(form)?,
        board: board_of(form)?,
    };
    let session = bench.guides.begin(bench, asked);
    let session = session.map_err(|refusal| {
        let words = format!("{}: {}", refusal.error(), refusal.help());
        ("name", words)
    })?;
    Ok(session.id.clone())
}

/// The guide.
pub async fn instrument(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    blocking(move || {
        let session = bench.guides.session(&id)?;
        page(&Instrument {
            shell: Shell::of(format!("Calibrate {}", session.name), Place::Camera),
            host: host_of(&headers),
            board: session.board.words(),
            folder: session.folder().display().to_string(),
            id,
        })
    })
    .await
}
