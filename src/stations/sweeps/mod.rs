//! Sweeps: the stations that a slowly moved stick passes.
//!
//! `sweep` cuts the course of the stick into passages of stations. Where there is no stick log, `reference` computes
//! that course between few holds from the reference surface (`hold_levels`), and the `delay` of each follower.

mod delay;
mod hold_levels;
pub(super) mod reference;
pub(super) mod sweep;
