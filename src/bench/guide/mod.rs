//! Guide: calibrations while the camera runs.
//!
//! The engine is [`crate::camera::guidance`]; this module keeps one for each session, saves the pictures
//! of kept views, and orders the calibration of their folder, which writes the profile as `calibrate`
//! does. Beside the pictures it keeps which device took them, in which mode.

mod session;
mod shown;

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::StatusCode;

use super::{Bench, Refusal};
pub use session::{Asked, Device, Session};
pub use shown::Shown;

/// Most sessions at once: two cores search the pictures of one camera.
const MOST_SESSIONS: usize = 4;

/// A session that nobody used for so long is closed; its pictures stay.
const IDLE_TIME: Duration = Duration::from_secs(3600);

/// All sessions, in the order in which they began.
#[derive(Default)]
pub struct Guides(Mutex<Vec<Arc<Session>>>);

impl Guides {
    fn lock(&self) -> MutexGuard<'_, Vec<Arc<Session>>> {
        let mut sessions = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|session| session.unused_for() < IDLE_TIME);
        sessions
    }

    /// Begins a session.
    ///
    /// # Errors
    /// There is no such board, the name is missing, or too many sessions are open.
    pub fn begin(&self, bench: &Bench, asked: Asked) -> Result<Arc<Session>, Refusal> {
        let mut sessions = self.lock();
        // One that has kept nothing gives its place away.
        if sessions.len() >= MOST_SESSIONS {
            let empty = sessions.iter().position(|session| session.is_empty());
            let empty = empty.ok_or_else(too_many)?;
            sessions.remove(empty);
        }
        let is_taken =
            |folder: &std::path::Path| (sessions.iter()).any(|session| session.folder() == folder);
        let session = Arc::new(Session::begin(bench, asked, is_taken)?);
        sessions.push(session.clone());
        Ok(session)
    }

    /// The session of an id.
    ///
    /// # Errors
    /// It does not exist, or was closed.
    pub fn session(&self, id: &str) -> Result<Arc<Session>, Refusal> {
        let sessions = self.lock();
        let session = sessions.iter().find(|session| session.id == id);
        let session = session.ok_or_else(gone)?.clone();
        session.touch();
        Ok(session)
    }

    /// Closes a session; its pictures stay.
    ///
    /// # Errors
    /// It does not exist, or was closed.
    pub fn close(&self, id: &str) -> Result<(), Refusal> {
        let mut sessions = self.lock();
        let place = sessions.iter().position(|session| session.id == id);
        sessions.remove(place.ok_or_else(gone)?);
        Ok(())
    }
}

fn gone() -> Refusal {
    Refusal::new(
        StatusCode::NOT_FOUND,
        "there is no such calibration; it ended with the program, or nobody used it for an hour",
        "begin again on the page \"Camera\"; the pictures that were kept are in their folder",
    )
}

fn too_many() -> Refusal {
    Refusal::new(
        StatusCode::TOO_MANY_REQUESTS,
        format!("{MOST_SESSIONS} calibrations are open already"),
        "finish one of them first",
    )
}
