//! Guard: who may ask for what. Every request passes here before any handler sees it.
//!
//! - **Host** has to name this computer's loopback, or the address that was opened for phones, with
//!   our port. Otherwise a page from elsewhere could reach the bench under a name of its own (DNS
//!   rebinding).
//! - **Requests from other sites** are recognised by Fetch metadata (W3C), and by `Origin` where a
//!   browser does not send them. They may open a page as a link does, and nothing else.
//! - **Other computers** have to be paired; they may read, upload and film.

use std::convert::Infallible;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use axum::body::Body;
use axum::extract::{FromRequestParts, Request, State};
use axum::http::header::{self, HeaderName};
use axum::http::request::Parts;
use axum::http::{Extensions, HeaderMap, HeaderValue, Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::frames::body::{self, MOST_FRAME_BYTES};
use super::{Refusal, Shared, devices};

/// Longest body of anything but a clip, bytes: forms and orders are a hundred times smaller.
pub const MOST_BODY_BYTES: usize = 1 << 20;

/// A request that has not been answered by then is given up: a sender may be slow on purpose.
const ANSWER_TIME: Duration = Duration::from_secs(30);

/// What a device may ask for before it is paired, in order to be paired.
const OPEN_TO_ALL: [(&str, &str); 5] = [
    ("GET", "/pair"),
    ("GET", "/pair.js"),
    ("GET", "/bench.css"),
    ("GET", "/bench.svg"),
    ("POST", "/api/pair"),
];

/// Where a connection comes from. A request without it is taken for one from outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer {
    /// The address at the other end.
    pub address: SocketAddr,
    /// Whether the connection is encrypted.
    pub is_encrypted: bool,
}

/// What the guard compares requests with.
pub struct Door {
    port: u16,
}

impl Door {
    /// A door at a port of this computer.
    pub fn new(port: u16) -> Self {
        Self { port }
    }

    /// The port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The address to use on this computer.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/", self.port)
    }

    /// Whether a `Host` names this computer as we serve it.
    fn knows(&self, host: &str, lan: Option<IpAddr>) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !port.ends_with(']') => (name, port.parse().ok()),
            _ => (host, Some(80)),
        };
        if port != Some(self.port) {
            return false;
        }
        let literal = name.trim_start_matches('[').trim_end_matches(']');
        match literal.parse::<IpAddr>() {
            Ok(address) => address.is_loopback() || Some(address) == lan,
            Err(_) => name.eq_ignore_ascii_case("localhost"),
        }
    }
}

/// What a request says about where it comes from.
struct Asked<'a> {
    method: &'a Method,
    path: &'a str,
    headers: &'a HeaderMap,
}

impl Asked<'_> {
    fn header(&self, name: impl header::AsHeaderName) -> Option<&str> {
        self.headers.get(name)?.to_str().ok()
    }

    /// Whether it can change nothing.
    fn only_reads(&self) -> bool {
        [Method::GET, Method::HEAD].contains(self.method)
    }

    /// Whether a page of another site sent it, other than by a link that a person followed.
    fn is_from_elsewhere(&self, host: &str, scheme: &str) -> bool {
        let site = self.header("sec-fetch-site");
        let ours = [None, Some("same-origin"), Some("none")].contains(&site);
        if self.only_reads() {
            let follows_link = self.header("sec-fetch-mode") == Some("navigate")
                && self.header("sec-fetch-dest") == Some("document");
            return !ours && !follows_link;
        }
        let origin_is_ours = (self.headers.get(header::ORIGIN)).is_none_or(|origin| {
            let origin = origin.to_str().unwrap_or_default();
            let written = origin.strip_prefix(scheme);
            written.is_some_and(|origin| origin.eq_ignore_ascii_case(host))
        });
        !ours || !origin_is_ours
    }
}

/// Refuses what may not be asked, and gives every answer the headers that keep pages apart.
pub async fn watch(State(bench): State<Shared>, request: Request, next: Next) -> Response {
    let path = request.uri().path().to_owned();
    let takes_its_time = takes_clip(&path) || measures(&path);
    let response = match admit(&bench, &request) {
        Ok(()) if takes_its_time => next.run(request).await,
        Ok(()) => match tokio::time::timeout(ANSWER_TIME, next.run(request)).await {
            Ok(response) => response,
            Err(_) => in_words(StatusCode::REQUEST_TIMEOUT).into_response(),
        },
        Err(refusal) => refusal.into_response(),
    };
    dressed(response, &path)
}

/// Whether a request is let in.
fn admit(bench: &Shared, request: &Request<Body>) -> Result<(), Refusal> {
    let asked = Asked {
        method: request.method(),
        path: request.uri().path(),
        headers: request.headers(),
    };
    let host = asked.header(header::HOST).unwrap_or_default();
    let authority = request
        .uri()
        .authority()
        .map(|authority| authority.as_str());
    if !bench.door.knows(host, bench.lan.address()) || authority.is_some_and(|name| name != host) {
        return Err(misdirected(bench));
    }
    let peer = request.extensions().get::<Peer>();
    let scheme = match peer.is_some_and(|peer| peer.is_encrypted) {
        true => "https://",
        false => "http://",
    };
    if asked.is_from_elsewhere(host, scheme) {
        return Err(Refusal::new(
            StatusCode::FORBIDDEN,
            "this request comes from a page of another site",
            format!("open {} and do it there", bench.door.address()),
        ));
    }
    if !is_of_this_computer(request) {
        admit_device(bench, &asked, request)?;
    }
    check_length(&asked)
}

/// Whether a request comes from this computer itself.
pub fn is_of_this_computer(request: &Request<Body>) -> bool {
    is_local(request.extensions())
}

fn is_local(extensions: &Extensions) -> bool {
    let peer = extensions.get::<Peer>();
    peer.is_some_and(|peer| peer.address.ip().to_canonical().is_loopback())
}

/// Whether a page is for this computer: a phone is not offered what it may not do.
pub struct IsHere(pub bool);

impl<S: Sync> FromRequestParts<S> for IsHere {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        Ok(Self(is_local(&parts.extensions)))
    }
}

/// Whether a request from another device is let in.
fn admit_device(bench: &Shared, asked: &Asked<'_>, request: &Request<Body>) -> Result<(), Refusal> {
    if OPEN_TO_ALL.contains(&(asked.method.as_str(), asked.path)) {
        return Ok(());
    }
    let peer = request.extensions().get::<Peer>();
    let is_paired = peer.is_some_and(|peer| {
        let address = peer.address.ip().to_canonical();
        bench.devices.knows(asked.headers, address)
    });
    match is_paired {
        false => Err(unpaired()),
        true if devices::may(asked.method, asked.path) => Ok(()),
        true => Err(Refusal::new(
            StatusCode::FORBIDDEN,
            "this is only done on the computer that runs the bench",
            "a phone sends clips, reads results and ticks numbers off",
        )),
    }
}

fn misdirected(bench: &Shared) -> Refusal {
    let address = bench.door.address();
    Refusal::new(
        StatusCode::MISDIRECTED_REQUEST,
        "this address does not belong to the bench",
        format!("on the computer that runs it, use {address}"),
    )
}

fn unpaired() -> Refusal {
    Refusal::new(
        StatusCode::UNAUTHORIZED,
        "this device is not paired",
        "open the page \"Phone\" on the computer that runs the bench, and scan the code there",
    )
}

/// Refuses a body that announces more than is accepted; clips and frames have limits of their own.
fn check_length(asked: &Asked<'_>) -> Result<(), Refusal> {
    let announced = asked.header(header::CONTENT_LENGTH);
    let announced = announced.and_then(|length| length.parse::<u64>().ok());
    match announced {
        Some(_) if takes_clip(asked.path) => Ok(()),
        Some(length) if takes_frame(asked.path) => match length > MOST_FRAME_BYTES as u64 {
            true => Err(body::too_large()),
            false => Ok(()),
        },
        Some(length) if length > MOST_BODY_BYTES as u64 => {
            Err(Refusal::too_large(MOST_BODY_BYTES as u64))
        }
        _ => Ok(()),
    }
}

/// Whether a path takes frames in.
fn takes_frame(path: &str) -> bool {
    let is_session = path.starts_with("/api/live/") || path.starts_with("/api/guidance/");
    is_session && path.ends_with("/frames")
}

/// Whether a path is answered only when a measurement is done.
fn measures(path: &str) -> bool {
    path.starts_with("/api/live/") && path.ends_with("/finish")
}

/// Whether a path takes clips in, which are large and take their time.
fn takes_clip(path: &str) -> bool {
    path.starts_with("/api/clips") || path.ends_with("/upload")
}

/// A refusal that no handler has put into words.
fn in_words(status: StatusCode) -> Refusal {
    let (error, help) = match status {
        StatusCode::METHOD_NOT_ALLOWED => (
            "this cannot be done at this address",
            "send what the page sends",
        ),
        StatusCode::PAYLOAD_TOO_LARGE => ("too much was sent", "send less"),
        StatusCode::REQUEST_TIMEOUT => ("the request took too long to arrive", "send it again"),
        _ => ("the request cannot be read", "send what the page sends"),
    };
    Refusal::new(status, error, help)
}

/// Headers of every answer, unless a handler set its own.
const HEADERS: [(HeaderName, &str); 5] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'; \
         object-src 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    // Without a referrer browsers send forms with an origin of "null".
    (header::REFERRER_POLICY, "same-origin"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// Whether an answer is a page already: a form that was sent back with its faults.
fn is_page(response: &Response) -> bool {
    let kind = response.headers().get(header::CONTENT_TYPE);
    kind.is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"))
}

fn dressed(mut response: Response, path: &str) -> Response {
    let is_for_programs = path.starts_with("/api/");
    match response.extensions_mut().remove::<Refusal>() {
        Some(refusal) if !is_for_programs => response = super::pages::refusal_page(&refusal),
        None if response.status().is_client_error() && !is_page(&response) => {
            let refusal = in_words(response.status());
            response = match is_for_programs {
                true => refusal.into_response(),
                false => super::pages::refusal_page(&refusal),
            };
        }
        _ => {}
    }
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    }
    response
}
