//! Live: sessions that measure while the camera runs.
//!
//! The engine in [`crate::live`] is synchronous; this module keeps one engine for each session, gives
//! each frame its turn, and writes a finished session into a folder like those of clips.
//!
//! | file | holds |
//! | --- | --- |
//! | `session` | one session: its engine, its newest state, and who films |
//! | `shown` | the state as programs and pages read it |
//! | `finish` | from a session to a folder with a measurement |

mod finish;
mod session;
mod shown;

use std::sync::Arc;
use std::time::Duration;

use super::open_sessions::{OpenSession, OpenSessions, Rules, Used};
use super::{Bench, Refusal};
pub use finish::finish;
pub use session::{Asked, Film, Session};
pub use shown::Shown;

/// Most sessions at once: each holds the sightings of many minutes, and two cores follow one camera.
const MOST_SESSIONS: usize = 4;

/// A session that nobody used for so long is closed, also when it has holds.
const IDLE_TIME: Duration = Duration::from_secs(2 * 3600);

/// A session without holds gives its place to a new one after so long without a frame.
const EMPTY_TIME: Duration = Duration::from_secs(60);

/// All live sessions.
pub type Sessions = OpenSessions<Session>;

impl OpenSession for Session {
    const RULES: Rules = Rules {
        most: MOST_SESSIONS,
        idle_time: IDLE_TIME,
        gone: [
            "there is no such live session; it ended with the program, or nobody used it for two hours",
            "start a new one on the page \"Live\" of the aircraft",
        ],
        too_many: ["live sessions", "go on with one of them, or close one"],
    };

    fn id(&self) -> &str {
        &self.id
    }

    fn used(&self) -> &Used {
        &self.used
    }

    fn gives_way(&self) -> bool {
        self.is_spare(EMPTY_TIME)
    }
}

impl Sessions {
    /// Begins a session.
    ///
    /// # Errors
    /// There is no such aircraft or camera, or too many sessions are open.
    pub fn begin(&self, bench: &Bench, asked: Asked) -> Result<Arc<Session>, Refusal> {
        let session = Session::begin(bench, asked)?;
        self.add(|_| Ok(session))
    }
}
