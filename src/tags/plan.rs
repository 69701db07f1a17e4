//! Plan: the tags to search for.

use std::collections::BTreeSet;

use crate::model_file::ModelFile;

/// The tags to search for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TagPlan {
    /// Surface and airframe tags: measured in every frame.
    pub expected: BTreeSet<u32>,
    /// Those of them that sit on the airframe.
    pub airframe: BTreeSet<u32>,
    /// Station cards: only read, and only now and then.
    pub cards: BTreeSet<u32>,
}

impl TagPlan {
    /// The tags that a model file declares.
    pub fn of(model: &ModelFile) -> Self {
        let surfaces = model.surfaces.iter().map(|surface| surface.tag_id);
        let airframe: BTreeSet<u32> = model.airframe_tags.iter().map(|tag| tag.id).collect();
        let cards = model.cards().into_keys().collect();
        Self {
            expected: surfaces.chain(airframe.iter().copied()).collect(),
            airframe,
            cards,
        }
    }

    /// Whether a tag belongs to the plan, as a card or otherwise.
    pub fn declares(&self, id: u32) -> bool {
        self.expected.contains(&id) || self.cards.contains(&id)
    }
}
