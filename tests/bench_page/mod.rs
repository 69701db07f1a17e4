//! The bench as it is served: over sockets, and in a real browser.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod browser;
mod guide;
mod job;
mod live;
mod live_camera;
mod live_load;
mod live_sound;
mod server;
mod serving;
mod weight;
mod y4m;

use std::path::{Path, PathBuf};

/// The bundled scenario.
fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-frames")
        .join(name)
}

/// A folder with these files of the bundled scenario.
fn folder_with(names: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in names {
        std::fs::copy(sample(name), folder.path().join(name)).unwrap();
    }
    folder
}

fn in_browser(work: impl AsyncFnOnce()) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(work());
}
