//! Stations: assigns frames to holds, and holds to stick positions.
//!
//! [`find_holds`] has these steps:
//!
//! 1. `trace` extracts the deflections over time and estimates their noise.
//! 2. `rests` finds the spans in which all surfaces rest, and their settled frames.
//! 3. `labels` assigns a stick position to each rest and checks it; for a stick log, `stick_log` does.
//! 4. `sweeps` finds the stations that a slowly moved stick passes.
//! 5. `assemble` combines holds and neutral; `covered` reports missing parts of the travel.
//!
//! `given` takes holds that are known before the motion is.

mod assemble;
mod constants;
mod covered;
mod error;
mod find_holds;
mod given;
mod hold;
mod holds;
mod labels;
mod options;
mod rests;
mod scene;
mod seen_rest;
mod stick_log;
mod sweeps;
mod table;
#[cfg(test)]
pub(crate) mod test_motion;
mod trace;
mod warning;

#[cfg(test)]
mod rate_tests;
#[cfg(test)]
mod tests;

pub(crate) use constants::{SETTLE_SHARE, SHAKE_FLOOR_DEG};
pub use error::{CardConflict, RowFault, StationsError};
pub use find_holds::{check_table, find_holds, rests_seen};
pub use given::{GivenHold, holds_as_given};
pub use hold::{Approach, Hold};
pub use holds::Holds;
pub use options::HoldOptions;
pub use seen_rest::SeenRest;
pub use stick_log::timing::{LogTiming, SurfaceTiming};
pub use sweeps::sweep::{Passage, Sweeps};
pub use warning::StationsWarning;
