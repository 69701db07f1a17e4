//! The synthetic world: linkages, servos, hinges, a camera and its noise, with known truth.
//!
//! Own geometry throughout: nothing here calls the mathematics that it serves to test. Only the
//! data types that pass between the rooms are shared.
//!
//! ```ignore
//! use crate::support;
//! let aircraft = support::aircraft::random(seed);
//! let filming = support::filming::Filming { seed, ..support::filming::tripod() };
//! let film = support::world::observe(&aircraft, &filming);
//! // film.sightings, film.model, film.profile: what the program gets; film.truth: what was
//! ```

#![allow(clippy::unwrap_used)]

pub mod aircraft;
mod bent_paper;
pub mod board_filming;
pub mod corner_errors;
pub mod cramer_rao;
mod declared;
pub mod filming;
pub mod full_range;
mod hand_path;
pub mod judge;
pub mod lens;
pub mod linkage;
pub mod per_frame_pose;
pub mod picture;
pub mod random;
pub mod rigid;
pub mod room;
pub mod servo;
pub mod sighting;
pub mod signals;
pub mod stabiliser;
pub mod surroundings;
pub mod world;
