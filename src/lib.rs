//! `hingewise` measures how far the hinged control surfaces of a model aircraft move, from an
//! ordinary clip, and computes the numbers that make two sides move alike.
//!
//! Data flows in one direction, with one public type between two modules:
//!
//! ```text
//! clip ─ Frame ─► tags ─ Sightings ─► motion ─ Motion ─► stations ─ Hold ─►
//! response ─ Responses ─► matching ─ Correction ─► report
//! ```
//!
//! [`conventions`] states axes, signs and units once for the whole crate.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod bench;
mod bounded_file;
pub mod camera;
pub mod cautions;
pub mod clip;
pub mod commands;
pub mod comparison;
pub mod conventions;
mod figures;
mod foreign;
pub mod functions;
pub mod geometry;
pub mod landmarks;
pub mod live;
pub mod matching;
pub mod measured;
pub mod measurement;
pub mod model_file;
pub mod motion;
pub mod names;
pub mod print;
pub mod progress;
pub mod record;
pub mod registration;
pub mod report;
pub mod response;
mod response_model;
pub mod sighting_cache;
pub mod solver;
pub mod stations;
mod statistics;
mod stick;
pub mod table_reader;
pub mod tags;
pub mod vision;
pub mod warning;
