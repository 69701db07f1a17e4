//! Sweeps: the stations that a slowly moved stick passes.
//!
//! `sweep` cuts the course of the stick into passages of stations. `reference` computes that course between few
//! holds from the reference surface, where there is no stick log.

pub(super) mod reference;
pub(super) mod sweep;
