//! Checkpoint: an interrupted search, from which another run continues.

use super::error::TagsError;
use super::follow::tracker::TrackerState;
use super::plan::TagPlan;
use super::sighting::SightedFrame;

/// A search of a clip that is interrupted, or has not started.
#[derive(Debug, Clone, PartialEq)]
pub struct Checkpoint {
    /// The frames that were searched, from the first on.
    pub frames: Vec<SightedFrame>,
    /// The state from which the search continues.
    pub memory: TrackerState,
}

impl Checkpoint {
    /// A search for these tags before its first frame.
    ///
    /// # Errors
    /// [`TagsError::NoSuchTag`] for an id that the family does not hold.
    pub fn new(plan: &TagPlan) -> Result<Self, TagsError> {
        Ok(Self {
            frames: Vec::new(),
            memory: TrackerState::new(plan)?,
        })
    }
}

/// Receives checkpoints of a running search, so that it can be resumed after an interruption.
pub trait CheckpointSink {
    /// The frames searched since the last call, and the state after them.
    fn save(&mut self, news: &[SightedFrame], memory: &TrackerState);
}

/// No checkpoints.
impl CheckpointSink for () {
    fn save(&mut self, _news: &[SightedFrame], _memory: &TrackerState) {}
}

/// Checkpoints, if there is a receiver.
impl<K: CheckpointSink> CheckpointSink for Option<K> {
    fn save(&mut self, news: &[SightedFrame], memory: &TrackerState) {
        if let Some(sink) = self {
            sink.save(news, memory);
        }
    }
}
