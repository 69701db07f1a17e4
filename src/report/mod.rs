//! Report: the page, the tables and the pictures that a person keeps.

mod charts;
mod figures;
mod palette;
mod plot;
mod svg;
mod verdict;

pub use verdict::{Judgement, Verdict};
