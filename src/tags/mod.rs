//! Tags: finds the declared tags in every frame and measures their corners.
//!
//! [`sight`] searches a clip. `follow` finds the tags and follows them from frame to frame; `pattern_fit` measures
//! one tag at its place. `follow` uses `pattern_fit`, never the other way round.

mod checkpoint;
mod error;
mod follow;
mod frame_search;
mod overview;
mod pattern_fit;
mod plan;
mod sight;
mod sighting;
mod undeclared;
mod warning;

pub use checkpoint::{Checkpoint, CheckpointSink};
pub use error::TagsError;
pub use follow::tracker::TrackerState;
pub use frame_search::FrameSearch;
pub use overview::Overview;
pub use pattern_fit::picture::{PictureFault, TagPicture};
pub use pattern_fit::quality::SMALLEST_EDGE_PX;
pub use plan::TagPlan;
pub use sight::{Sightings, sight, sight_on};
pub use sighting::{CornerCovariance, DropReason, Dropped, SightedFrame, Sighting};
pub use undeclared::undeclared_tags;
pub use warning::{SpoiledTags, TagsWarning, doubt_search};
