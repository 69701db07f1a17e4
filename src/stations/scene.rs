//! Scene: the rests of a clip, before any stick position is assigned.

use super::rests::rest::Rest;
use super::seen_rest::SeenRest;
use super::trace::Trace;
use crate::motion::Motion;

/// The rests of a clip, before any stick position is assigned.
#[derive(Clone, Copy)]
pub(super) struct Scene<'a> {
    pub motion: &'a Motion,
    pub trace: &'a Trace,
    pub rests: &'a [Rest],
    /// Settled frames of each rest.
    pub settled: &'a [Vec<usize>],
}

impl Scene<'_> {
    pub fn seen(&self) -> Vec<SeenRest> {
        let rests = self.rests.iter();
        rests.map(|rest| rest.seen(self.trace)).collect()
    }
}
