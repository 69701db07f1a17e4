//! What a model file has named so far: tag ids, surfaces, and their roles in match groups.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;

use super::fields::{EDGE_LIMITS, Reader};
use super::{LAST_TAG_ID, ModelFault, default_cards};
use crate::table_reader::{FaultList, closest};

/// Edge of all tags without one of their own.
pub(super) enum CommonEdge {
    /// Given under `[tags]`.
    Given(f64),
    /// Missing.
    Missing,
    /// A fault, already recorded.
    Faulty,
}

struct Use {
    what: String,
    span: Range<usize>,
}

/// Every tag of the file: one id, one use.
pub(super) struct TagBook {
    common_edge: CommonEdge,
    uses: BTreeMap<u32, Use>,
}

impl TagBook {
    pub(super) fn new(common_edge: CommonEdge) -> Self {
        Self {
            common_edge,
            uses: BTreeMap::new(),
        }
    }

    /// The id under `key`, claimed for one use.
    pub(super) fn tag_id(
        &mut self,
        table: &mut Reader<'_>,
        key: &'static str,
        what: impl FnOnce() -> String,
    ) -> Option<u32> {
        let id = table.required::<u32>(key)?;
        self.claim(table.faults(), &id, what)
            .then(|| id.into_inner())
    }

    /// Claims an id; a fault if no tag has it or another use claimed it before.
    pub(super) fn claim(
        &mut self,
        faults: &FaultList<ModelFault>,
        id: &Spanned<u32>,
        what: impl FnOnce() -> String,
    ) -> bool {
        let number = *id.get_ref();
        if number > LAST_TAG_ID {
            let id_text = number.to_string();
            faults.push(id.span(), ModelFault::NoSuchId { id: id_text });
            return false;
        }
        let what = what();
        if let Some(first) = self.uses.get(&number) {
            let fault = ModelFault::RepeatedId {
                id: number,
                first: first.what.clone(),
                second: what,
            };
            faults.push_with_other(id.span(), fault, Some(first.span.clone()));
            return false;
        }
        let span = id.span();
        self.uses.insert(number, Use { what, span });
        true
    }

    /// Claims the ids of the default cards; a fault for each tag that has one of them.
    pub(super) fn claim_default_cards(&self, faults: &FaultList<ModelFault>) -> BTreeMap<u32, f64> {
        let cards = default_cards();
        for (id, stick_pct) in &cards {
            if let Some(tag) = self.uses.get(id) {
                let fault = ModelFault::CardId {
                    id: *id,
                    stick_pct: *stick_pct,
                    used_for: tag.what.clone(),
                };
                faults.push(tag.span.clone(), fault);
            }
        }
        cards
    }

    /// The edge of the tag that `table` declares; a missing size is recorded once.
    pub(super) fn edge_mm(&mut self, table: &mut Reader<'_>) -> Option<f64> {
        let own = table.optional_number("edge_mm", EDGE_LIMITS);
        if table.has("edge_mm") {
            return own.map(Spanned::into_inner);
        }
        match self.common_edge {
            CommonEdge::Given(edge_mm) => Some(edge_mm),
            CommonEdge::Faulty => None,
            CommonEdge::Missing => {
                table.faults().push(table.span(), ModelFault::NoEdge);
                self.common_edge = CommonEdge::Faulty;
                None
            }
        }
    }
}

/// The names of the surfaces.
#[derive(Default)]
pub(super) struct Names {
    spans: BTreeMap<String, Range<usize>>,
    /// A surface has no readable name, so that nothing can be said of names that are not here.
    incomplete: bool,
}

impl Names {
    /// Adds a surface's name, `None` if it could not be read.
    pub(super) fn add(&mut self, table: &Reader<'_>, name: Option<&Spanned<String>>) {
        let Some(name) = name else {
            self.incomplete = true;
            return;
        };
        let text = name.get_ref().clone();
        if let Some(first) = self.spans.get(&text) {
            let fault = ModelFault::RepeatedName { name: text };
            let first = Some(first.clone());
            table.faults().push_with_other(name.span(), fault, first);
        } else {
            self.spans.insert(text, name.span());
        }
    }

    /// Refuses a name that no surface has.
    pub(super) fn check(
        &self,
        faults: &FaultList<ModelFault>,
        role: &'static str,
        name: &Spanned<String>,
    ) {
        if self.incomplete || self.spans.contains_key(name.get_ref()) {
            return;
        }
        let surfaces = || self.spans.keys().map(String::as_str);
        let fault = ModelFault::NotASurface {
            role,
            name: name.get_ref().clone(),
            meant: closest(name.get_ref(), surfaces()).map(str::to_owned),
            surfaces: surfaces().map(str::to_owned).collect(),
        };
        faults.push(name.span(), fault);
    }
}

/// Who leads and who follows, over all match groups.
pub(super) struct Roles<'n> {
    names: &'n Names,
    references: BTreeMap<String, Range<usize>>,
    followers: BTreeMap<String, Range<usize>>,
}

impl<'n> Roles<'n> {
    pub(super) fn new(names: &'n Names) -> Self {
        Self {
            names,
            references: BTreeMap::new(),
            followers: BTreeMap::new(),
        }
    }

    /// Adds one match group.
    pub(super) fn add(
        &mut self,
        table: &Reader<'_>,
        reference: Option<&Spanned<String>>,
        followers: Option<&Spanned<Vec<Spanned<String>>>>,
    ) {
        let faults = table.faults();
        if let Some(reference) = reference {
            self.names.check(faults, "reference", reference);
            self.references
                .entry(reference.get_ref().clone())
                .or_insert(reference.span());
        }
        let Some(followers) = followers else { return };
        if followers.get_ref().is_empty() {
            table.fault(followers, ModelFault::Empty { key: "followers" });
        }
        for follower in followers.get_ref() {
            self.names.check(faults, "follower", follower);
            let name = follower.get_ref().clone();
            if let Some(first) = self.followers.get(&name) {
                let fault = ModelFault::FollowsTwice { name };
                let first = Some(first.clone());
                faults.push_with_other(follower.span(), fault, first);
            } else {
                self.followers.insert(name, follower.span());
            }
        }
    }

    /// Refuses references that follow as well; to be called when all groups are known.
    pub(super) fn check(&self, faults: &FaultList<ModelFault>) {
        for (name, span) in &self.followers {
            if let Some(reference) = self.references.get(name) {
                let fault = ModelFault::ReferenceFollows { name: name.clone() };
                faults.push_with_other(span.clone(), fault, Some(reference.clone()));
            }
        }
    }
}
