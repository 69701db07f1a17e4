//! Guide: calibrations while the camera runs.
//!
//! The engine is [`crate::camera::guidance`]; this module keeps one for each session, saves the pictures
//! of kept views, and orders the calibration of their folder, which writes the profile as `calibrate`
//! does. Beside the pictures it keeps which device took them, in which mode.

mod session;
mod shown;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use super::open_sessions::{OpenSession, OpenSessions, Rules, Used};
use super::{Bench, Refusal};
pub use session::{Asked, Device, Session, is_free_profile};

/// Most sessions at once: two cores search the pictures of one camera.
const MOST_SESSIONS: usize = 4;

/// A session that nobody used for so long is closed; its pictures stay.
const IDLE_TIME: Duration = Duration::from_secs(3600);

/// A session that kept nothing gives its place to a new one after so long without a picture.
const EMPTY_TIME: Duration = Duration::from_secs(60);

/// All calibrations while the camera runs.
pub type Guides = OpenSessions<Session>;

impl OpenSession for Session {
    const RULES: Rules = Rules {
        most: MOST_SESSIONS,
        idle_time: IDLE_TIME,
        gone: [
            "there is no such calibration; it ended with the program, or nobody used it for an hour",
            "begin again on the page \"Camera\"; the pictures that were kept are in their folder",
        ],
        too_many: [
            "calibrations",
            "finish one of them; one that has kept nothing gives way a minute after its last picture",
        ],
    };

    fn id(&self) -> &str {
        &self.id
    }

    fn used(&self) -> &Used {
        &self.used
    }

    fn gives_way(&self) -> bool {
        self.used.unused_for() > EMPTY_TIME && self.is_empty()
    }
}

impl Guides {
    /// Begins a session.
    ///
    /// # Errors
    /// There is no such board, the name is missing, or too many sessions are open.
    pub fn begin(&self, bench: &Bench, asked: Asked) -> Result<Arc<Session>, Refusal> {
        self.add(|open| {
            let is_taken = |folder: &Path| open.iter().any(|session| session.folder() == folder);
            Session::begin(bench, asked, is_taken)
        })
    }
}
