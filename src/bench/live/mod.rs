//! Live: sessions that measure while the camera runs.
//!
//! The engine in [`crate::live`] is synchronous; this module keeps one engine for each session, gives
//! each frame its turn, and writes a finished session into a folder like those of clips.
//!
//! | file | holds |
//! | --- | --- |
//! | `body` | a frame as it arrives |
//! | `turns` | one frame in work, the newest waits |
//! | `session` | one session: its engine, its newest state, and who films |
//! | `shown` | the state as programs and pages read it |
//! | `finish` | from a session to a folder with a measurement |

pub mod body;
mod finish;
mod session;
mod shown;
mod turns;

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::StatusCode;

use super::{Bench, Refusal};
pub use finish::finish;
pub use session::{Asked, Film, Session};
pub use shown::{Shown, stick};

/// Most sessions at once: each holds the sightings of many minutes, and two cores follow one camera.
const MOST_SESSIONS: usize = 4;

/// A session that nobody used for so long is closed, also when it has holds.
const IDLE_TIME: Duration = Duration::from_secs(2 * 3600);

/// A session without holds gives its place to a new one after so long without a frame.
const EMPTY_TIME: Duration = Duration::from_secs(60);

/// All sessions, in the order in which they began.
#[derive(Default)]
pub struct Sessions(Mutex<Vec<Arc<Session>>>);

impl Sessions {
    fn lock(&self) -> MutexGuard<'_, Vec<Arc<Session>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a session.
    ///
    /// # Errors
    /// There is no such aircraft or camera, or too many sessions are open.
    pub fn begin(&self, bench: &Bench, asked: Asked) -> Result<Arc<Session>, Refusal> {
        let session = Session::begin(bench, asked)?;
        let mut sessions = self.lock();
        close_unused(&mut sessions);
        if sessions.len() >= MOST_SESSIONS {
            let spare = |session: &Arc<Session>| session.is_spare(EMPTY_TIME);
            let Some(spare) = sessions.iter().position(spare) else {
                return Err(too_many());
            };
            sessions.remove(spare);
        }
        let session = Arc::new(session);
        sessions.push(session.clone());
        Ok(session)
    }

    /// The session of an id.
    ///
    /// # Errors
    /// It does not exist, or was closed.
    pub fn session(&self, id: &str) -> Result<Arc<Session>, Refusal> {
        let mut sessions = self.lock();
        close_unused(&mut sessions);
        let session = sessions.iter().find(|session| session.id == id);
        let session = session.ok_or_else(gone)?.clone();
        session.touch();
        Ok(session)
    }

    /// All open sessions.
    pub fn all(&self) -> Vec<Arc<Session>> {
        let mut sessions = self.lock();
        close_unused(&mut sessions);
        sessions.clone()
    }

    /// Closes a session and forgets what it holds.
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

fn close_unused(sessions: &mut Vec<Arc<Session>>) {
    sessions.retain(|session| session.unused_for() < IDLE_TIME);
}

fn gone() -> Refusal {
    Refusal::new(
        StatusCode::NOT_FOUND,
        "there is no such live session; it ended with the program, or nobody used it for two hours",
        "start a new one on the page \"Live\" of the aircraft",
    )
}

fn too_many() -> Refusal {
    Refusal::new(
        StatusCode::TOO_MANY_REQUESTS,
        format!("{MOST_SESSIONS} live sessions are open already"),
        "go on with one of them, or close one",
    )
}
