//! Handlers, asked without sockets.

mod guard;
mod guide;
mod live;
mod measuring;
mod pages;
mod uploads;
mod warned;

use std::net::SocketAddr;
use std::path::Path;

use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode};
use axum::response::Response;
use serde_json::Value;
use tower::ServiceExt;

use super::guard::Peer;
use super::{Bench, Shared, router};

/// The port that the bench under test believes to be served at.
pub const PORT: u16 = 7001;

/// A bench in a folder of its own.
pub struct TestBench {
    pub folder: tempfile::TempDir,
    pub bench: Shared,
}

impl TestBench {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bench = Bench::open(folder.path(), PORT).unwrap();
        Self { folder, bench }
    }

    /// With the aircraft, the camera and nothing else of the bundled scenario.
    pub fn with_sample() -> Self {
        let bench = Self::new();
        for name in ["model.toml", "camera.toml"] {
            let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
            std::fs::copy(from.join(name), bench.folder.path().join(name)).unwrap();
        }
        bench
    }

    /// The answer to a request as it is.
    pub fn ask(&self, request: Request<Body>) -> Response {
        let router = router(self.bench.clone());
        runtime().block_on(router.oneshot(request)).unwrap()
    }

    pub fn get(&self, path: &str) -> Response {
        self.ask(order(Method::GET, path).body(Body::empty()).unwrap())
    }

    pub fn get_json(&self, path: &str) -> Value {
        let response = self.get(path);
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        json(response)
    }
}

pub fn runtime() -> &'static tokio::runtime::Runtime {
    static RUNTIME: std::sync::OnceLock<tokio::runtime::Runtime> = std::sync::OnceLock::new();
    RUNTIME.get_or_init(|| {
        tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .unwrap()
    })
}

/// A request as the browser of this computer makes it.
pub fn order(method: Method, path: &str) -> axum::http::request::Builder {
    Request::builder()
        .method(method)
        .uri(path)
        .header("host", format!("127.0.0.1:{PORT}"))
        .extension(peer([127, 0, 0, 1]))
}

/// Where a plain connection comes from.
pub fn peer(address: [u8; 4]) -> Peer {
    Peer {
        address: SocketAddr::from((address, 50_000)),
        is_encrypted: false,
    }
}

pub fn bytes(response: Response) -> Vec<u8> {
    let read = to_bytes(response.into_body(), usize::MAX);
    runtime().block_on(read).unwrap().to_vec()
}

pub fn text(response: Response) -> String {
    String::from_utf8(bytes(response)).unwrap()
}

pub fn json(response: Response) -> Value {
    serde_json::from_slice(&bytes(response)).unwrap()
}
