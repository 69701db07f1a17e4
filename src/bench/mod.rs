//! Bench: the whole job as pages that this computer serves to its own browser.
//!
//! The pages compose the same stages as the commands and read and write the same files; the folder
//! that they work in may be used with the commands at the same time. Async code stays inside this
//! module: [`serve`] owns the runtime, and everything that reads files or computes runs on threads
//! that may block.
//!
//! | file | holds |
//! | --- | --- |
//! | `serve` | sockets, signals, limits of connections |
//! | `guard`, `devices` | who may ask for what |
//! | `workshop`, `ids` | the files of the folder, under ids of our own |
//! | `uploads` | clips on their way in |
//! | `line`, `measure` | measurements that wait and run |
//! | `frames` | pictures of a running camera on their way in |
//! | `open_sessions` | sessions of one kind that are open |
//! | `live` | sessions that measure while the camera runs |
//! | `guide` | calibrations while the camera runs |
//! | `certificate` | encrypted connections for phones |
//! | `api`, `pages` | what is asked for and answered |

mod api;
mod assets;
mod blocking;
mod calibrate;
mod certificate;
mod course;
mod devices;
mod form;
mod frames;
mod free_name;
mod guard;
mod guide;
mod ids;
mod lan;
mod line;
mod live;
mod lock;
mod look;
mod measure;
mod model_text;
mod multipart;
mod open_sessions;
mod pages;
mod refusal;
mod serve;
mod store;
mod ticks;
mod uploads;
mod workshop;

#[cfg(test)]
mod tests;

use std::path::Path;
use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;

pub use refusal::Refusal;
pub use serve::{ServeError, Serving, serve};

use devices::Devices;
use guard::Door;
use lan::Lan;
use line::Line;
use store::Store;
use uploads::Uploads;
use workshop::Workshop;

/// Everything that the handlers share.
pub struct Bench {
    workshop: Workshop,
    store: Store,
    uploads: Uploads,
    line: Line,
    devices: Devices,
    lan: Lan,
    door: Door,
    live: live::Sessions,
    guides: guide::Guides,
}

/// Handlers share one bench.
pub(crate) type Shared = Arc<Bench>;

impl Bench {
    /// A bench for the files of a folder, served at a port of this computer.
    ///
    /// # Errors
    /// The folder cannot be used.
    pub fn open(folder: &Path, port: u16) -> Result<Shared, ServeError> {
        let store = Store::of(folder);
        Ok(Arc::new(Self {
            workshop: Workshop::at(folder),
            uploads: Uploads::to(folder, store.clone()),
            line: Line::of(folder, store.clone()),
            store,
            devices: Devices::default(),
            lan: Lan::default(),
            door: Door::new(port),
            live: live::Sessions::default(),
            guides: guide::Guides::default(),
        }))
    }

    /// Whether a name inside the folder is free: nothing has it, and no order of the line makes it.
    fn is_free(&self, name: &Path) -> bool {
        let is_there = self.workshop.path(name).symlink_metadata().is_ok();
        !is_there && !self.line.is_for(name)
    }
}

/// Works on the bench's line of measurements on a thread of its own, until the line ends.
///
/// # Errors
/// The system refuses another thread.
pub fn start_work(bench: &Shared) -> std::io::Result<()> {
    let bench = bench.clone();
    let worker = std::thread::Builder::new().name("measuring".into());
    worker.spawn(move || bench.line.work()).map(drop)
}

/// All that is served, behind the guard.
pub fn router(bench: Shared) -> Router {
    Router::new()
        .merge(api::routes())
        .merge(assets::routes())
        .merge(pages::routes())
        .fallback(api::nothing_here)
        .layer(DefaultBodyLimit::max(guard::MOST_BODY_BYTES))
        .layer(from_fn_with_state(bench.clone(), guard::watch))
        .with_state(bench)
}
