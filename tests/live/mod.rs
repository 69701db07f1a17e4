//! The live engine on the frames of clips and films, without a browser.
//!
//! Clips and truth are own, as in `whole_job.rs`; the films are those of `support`. Frames go in one by one at their
//! own times, and fits are made between two frames, so that the same frames give the same figures.
#![allow(clippy::unwrap_used)]

mod faults;
mod film;
mod films;
mod hand;
mod keeping;
mod pictures;
mod tripod;
