//! Matching on aircraft whose truth is known.

#![allow(clippy::unwrap_used)]

mod aircraft;
mod causes;
mod clips;
mod differential;
mod laws;
pub mod linkage;
mod optimum;
mod targets;
pub mod world;
