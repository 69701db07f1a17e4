//! Follow: finds the tags in the picture and follows them from frame to frame.
//!
//! `tracker` searches the whole picture once (`search`), then measures each tag where `track` expects it.
//! `recognise` compares square outlines with the expected patterns. `cards` watches for station cards in the
//! parts of the picture that changed (`change_detection`). `mirrored` explains a clip without any tag.

mod cards;
mod change_detection;
pub(super) mod mirrored;
mod recognise;
mod rect;
pub(in crate::tags) mod search;
mod track;
pub(super) mod tracker;
