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
//! Deflections are counted from neutral. Kept holds count from the holds at neutral stick, as those of a clip do, so
//! that they show what the finished measurement will hold. Without such a hold both count from neutral as the person
//! has set it. Present deflections, differences and peaks count from neutral as it was set, else as the holds do.
//!
//! [`LiveSession::finish`] returns the kept sightings as a [`LiveRecord`], which the stages of `measure` turn
//! into a measurement.
//!
//! | file | contents |
//! | --- | --- |
//! | `input` | frames, options, and what a session leaves |
//! | `session` | what happens to a frame |
//! | `fitting`, `learner` | when a fit is made, and the thread that makes it |
//! | `store` | the bounded number of sightings that are kept |
//! | `measuring` | the deflections by the newest fit |
//! | `watch` | what spoils figures: bumped camera, changed zoom, exchanged tag |
//! | `rest` | spans in which nothing moves |
//! | `keeping`, `holds`, `stations` | rests that are kept, and their stations |
//! | `peaks` | the largest deflections |
//! | `view`, `state` | what a session returns for each frame |

mod error;
mod fitting;
mod holds;
mod input;
mod keeping;
mod learner;
mod measuring;
mod peaks;
mod rest;
mod session;
mod state;
mod stations;
mod store;
mod view;
mod watch;

pub use error::LiveError;
pub use input::{LiveFrame, LiveOptions, LiveRecord, Refits};
pub use session::LiveSession;
pub use state::{
    HoldFigure, LiveHold, LivePair, LiveState, LiveSurface, LiveTag, Missing, Peak, Phase, Unseen,
    View, Zero,
};
