//! The state of a search between two frames.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::printed_patterns;
use crate::landmarks::Landmarks;
use crate::tags::error::TagsError;
use crate::tags::follow::cards::CardWatch;
use crate::tags::follow::search::RoughTag;
use crate::tags::follow::track::Track;
use crate::tags::overview::Overview;
use crate::tags::pattern_fit::picture::PictureSums;
use crate::tags::pattern_fit::sensor::Sensor;
use crate::tags::plan::TagPlan;

/// The state that a search carries from one frame to the next. A search resumed from it gives the
/// same result as one without interruption.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackerState {
    pub(super) sensor: Option<Sensor>,
    pub(super) tracks: BTreeMap<u32, Track>,
    pub(super) cards: CardWatch,
    /// Tags on the airframe.
    pub(super) airframe: BTreeSet<u32>,
    pub(super) landmarks: Landmarks,
    pub(super) whole_searches: usize,
    pub(super) pause_s: Option<f64>,
    pub(super) next_whole_s: f64,
    /// Mean edge of the largest square seen that was no tag.
    pub(in crate::tags) largest_other_square_px: f64,
    /// Times at which tags of the family were seen that are neither followed nor cards.
    pub(in crate::tags) undeclared: BTreeMap<u32, Vec<f64>>,
    /// Pictures of the tags that are followed.
    pub(super) pictures: BTreeMap<u32, PictureSums>,
}

impl TrackerState {
    /// Before the first frame.
    pub(in crate::tags) fn new(plan: &TagPlan) -> Result<Self, TagsError> {
        let patterns = printed_patterns(&plan.expected)?;
        Ok(Self {
            sensor: None,
            tracks: patterns
                .into_iter()
                .map(|(tag_id, pattern)| (tag_id, Track::new(pattern)))
                .collect(),
            cards: CardWatch::new(printed_patterns(&plan.cards)?),
            airframe: plan.airframe.clone(),
            landmarks: Landmarks::default(),
            whole_searches: 0,
            pause_s: None,
            next_whole_s: f64::MIN,
            largest_other_square_px: 0.0,
            undeclared: BTreeMap::new(),
            pictures: BTreeMap::new(),
        })
    }

    /// Findings of the search besides the sightings.
    pub fn overview(&self) -> Overview {
        let pictures = self.pictures.iter();
        Overview {
            pictures: pictures
                .filter_map(|(&tag_id, sums)| Some((tag_id, sums.mean()?)))
                .collect(),
            undeclared_s: self.undeclared.clone(),
        }
    }

    /// Forgets when undeclared tags were seen before a time, so that a search without an end needs no more
    /// memory than one of a clip.
    pub(in crate::tags) fn forget_undeclared_before(&mut self, time_s: f64) {
        self.undeclared.retain(|_, times_s| {
            times_s.retain(|seen_s| *seen_s >= time_s);
            !times_s.is_empty()
        });
    }

    /// Records the undeclared tags among those just found.
    pub(super) fn note_undeclared<'a>(
        &mut self,
        time_s: f64,
        found: impl Iterator<Item = &'a RoughTag>,
    ) {
        for RoughTag { tag_id, .. } in found {
            if self.tracks.contains_key(tag_id) || self.cards.knows(*tag_id) {
                continue;
            }
            let times_s = self.undeclared.entry(*tag_id).or_default();
            if times_s.last() != Some(&time_s) {
                times_s.push(time_s);
            }
        }
    }
}
