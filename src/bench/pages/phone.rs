//! Phones: let in, paired by a code, listed, and sent away again.

use askama::Template;
use axum::Extension;
use axum::Json;
use axum::body::Bytes;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use fast_qr::convert::svg::SvgBuilder;
use fast_qr::qr::QRBuilder;
use serde::Deserialize;

use super::{Place, Shell, onward, page};
use crate::bench::devices::{Device, set_cookie};
use crate::bench::form::Form;
use crate::bench::guard::Peer;
use crate::bench::{Refusal, Shared};

#[derive(Template)]
#[template(path = "phone.html", config = "src/bench/askama.toml")]
struct Phone {
    shell: Shell,
    address: Option<String>,
    code: Option<String>,
    drawing: String,
    devices: Vec<Device>,
    /// The live session that the phone is to film for.
    session: Option<String>,
}

#[derive(Template)]
#[template(path = "pair.html", config = "src/bench/askama.toml")]
struct Pair {
    shell: Shell,
}

#[derive(Deserialize)]
pub struct Onward {
    /// The page that the phone goes on to.
    go: Option<String>,
}

impl Onward {
    /// The page, if it is one of ours that films.
    fn page(&self) -> Option<&str> {
        let page = self.go.as_deref()?;
        let filming = ["/live/", "/camera/live/"].into_iter();
        let mut sessions = filming.filter_map(|before| page.strip_prefix(before));
        let session = sessions.next()?;
        let is_plain = session.chars().all(|letter| letter.is_ascii_alphanumeric());
        is_plain.then_some(self.go.as_deref()).flatten()
    }
}

pub async fn phone(
    State(bench): State<Shared>,
    Query(onward): Query<Onward>,
) -> Result<Response, Refusal> {
    let port = bench.door.port();
    let address = bench
        .lan
        .address()
        .map(|address| format!("http://{address}:{port}/"));
    let code = address.as_ref().and_then(|address| {
        let code = bench.devices.code()?;
        Some(match onward.page() {
            Some(page) => format!("{address}pair#{code}!{page}"),
            None => format!("{address}pair#{code}"),
        })
    });
    let drawing = code
        .as_ref()
        .and_then(|code| QRBuilder::new(code.as_str()).build().ok());
    page(&Phone {
        shell: Shell::of("Phone", Place::Phone),
        drawing: drawing
            .map(|qr| SvgBuilder::default().to_str(&qr))
            .unwrap_or_default(),
        devices: bench.devices.list(),
        address,
        code,
        session: onward.page().map(str::to_owned),
    })
}

pub async fn act(
    State(bench): State<Shared>,
    Query(asked): Query<Onward>,
    form: Form,
) -> Result<Response, Refusal> {
    let refused = |cause: std::io::Error| {
        Refusal::new(
            StatusCode::CONFLICT,
            format!("the bench cannot be opened for phones: {cause}"),
            "connect this computer and the phone to the same network, and try again",
        )
    };
    match form.get("do") {
        "open" => {
            bench.lan.open(&bench).map_err(refused)?;
            bench.devices.new_code().map_err(refused)?;
        }
        "code" => drop(bench.devices.new_code().map_err(refused)?),
        "close" => bench.lan.close(&bench),
        _ => {
            if let Ok(number) = form.get("revoke").parse() {
                bench.devices.revoke(number);
            }
        }
    }
    Ok(onward(&match asked.page() {
        Some(page) => format!("/phone?go={page}"),
        None => "/phone".into(),
    }))
}

/// What kind of device a browser says it runs on.
fn kind_of(agent: &str) -> &'static str {
    const KINDS: [&str; 6] = ["iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux"];
    let mut kinds = KINDS.into_iter();
    kinds.find(|kind| agent.contains(kind)).unwrap_or("device")
}

/// The page that a phone opens from the picture of the code.
pub async fn pair() -> Result<Response, Refusal> {
    page(&Pair {
        shell: Shell::of("Pair this phone", Place::Elsewhere),
    })
}

/// Pairs a phone by its code.
pub async fn paired(
    State(bench): State<Shared>,
    Extension(peer): Extension<Peer>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Refusal> {
    let code = String::from_utf8_lossy(&body);
    let name = headers
        .get(header::USER_AGENT)
        .and_then(|name| name.to_str().ok());
    let address = peer.address.ip().to_canonical();
    let kind = kind_of(name.unwrap_or_default());
    let secret = bench.devices.pair(code.trim(), kind, address);
    let secret = secret.ok_or_else(|| {
        Refusal::new(
            StatusCode::UNAUTHORIZED,
            "this code is invalid or has expired",
            "make a new one on the page \"Phone\" of the computer, and scan it",
        )
    })?;
    let cookie = [(header::SET_COOKIE, set_cookie(&secret))];
    Ok((cookie, Json(serde_json::json!({ "paired": true }))).into_response())
}
