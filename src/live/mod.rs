//! Live: figures while surfaces move, from single frames of a camera.
//!
//! [`LiveSession`] takes frames one by one and returns a [`LiveState`] for each. It is synchronous and
//! needs no browser and no clock: times are those of the frames.
//!
//! 1. **Looking**: it searches the tags with the tracker of a clip's search.
//! 2. **Learning**: it stores sightings (a bounded number of them) and fits them jointly on a worker thread as
//!    soon as the surfaces have moved, and again as the travel grows.
//! 3. **Measuring**: it settles each new frame alone, with the constants of the last fit held. It finds rests and
//!    keeps them as holds, each with its station.
//!
//! [`LiveSession::finish`] returns the kept sightings as a [`LiveRecord`], which the stages of `measure` turn
//! into a measurement.
//!
//! | file | contents |
//! | --- | --- |
//! | `session` | what happens to a frame |
//! | `state` | what a session returns for each frame |
//! | `slot` | the one place for a frame that waits; the newest wins |

mod error;
mod session;
mod slot;
mod state;

pub use error::LiveError;
pub use session::{LiveFrame, LiveOptions, LiveRecord, LiveSession, Refits};
pub use slot::FrameSlot;
pub use state::{
    HoldFigure, LiveHold, LivePair, LiveState, LiveSurface, LiveTag, Missing, Peak, Phase, Unseen,
    View, Zero,
};
