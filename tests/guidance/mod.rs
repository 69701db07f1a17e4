//! Calibrating while the camera runs.

#![allow(clippy::unwrap_used)]

mod people;
mod person;
mod pictures;
mod session;
