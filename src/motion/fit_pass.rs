//! The course of a fit: its searches for a minimum, step by step.

use crate::solver::{Ending, Tried};

/// One search of a fit over all frames.
#[derive(Debug, Clone, PartialEq)]
pub struct FitPass {
    /// What it fits.
    pub fits: &'static str,
    /// Its steps; costs are half a χ².
    pub course: Vec<Tried>,
    /// Why it ended.
    pub ending: Ending,
}
