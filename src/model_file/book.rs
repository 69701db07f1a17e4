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
    /// Stick position, where the tag is a station card.
    card_pct: Option<f64>,
}

/// Every tag of the file: one id, one use.
pub(super) struct TagBook {
    common_edge: CommonEdge,
    uses: BTreeMap<u32, Use>,
    default_cards_claimed: bool,
}

impl TagBook {
    pub(super) fn new(common_edge: CommonEdge) -> Self {
        Self {
            common_edge,
            uses: BTreeMap::new(),
            default_cards_claimed: false,
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
        let card_pct = None;
        self.uses.insert(
            number,
            Use {
                what,
                span,
                card_pct,
            },
        );
        true
    }

    /// Claims the id of a station card. The stations of several functions may share a card, as
    /// long as it stands for the same stick position.
    pub(super) fn claim_card(
        &mut self,
        faults: &FaultList<ModelFault>,
        id: &Spanned<u32>,
        stick_pct: f64,
    ) -> bool {
        let used = self.uses.get(id.get_ref());
        if used.is_some_and(|used| used.card_pct == Some(stick_pct)) {
            return true;
        }
        let is_free = self.claim(faults, id, || format!("the card {stick_pct} %"));
        if is_free && let Some(used) = self.uses.get_mut(id.get_ref()) {
            used.card_pct = Some(stick_pct);
        }
        is_free
    }

    /// Claims the ids of the default cards; a fault for each tag that has one of them. The stations
    /// of several functions may ask for them.
    pub(super) fn claim_default_cards(
        &mut self,
        faults: &FaultList<ModelFault>,
    ) -> BTreeMap<u32, f64> {
        let cards = default_cards();
        if std::mem::replace(&mut self.default_cards_claimed, true) {
            return cards;
        }
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

    /// Whether a surface has the name.
    fn has(&self, name: &str) -> bool {
        self.spans.contains_key(name)
    }

    /// Refuses surfaces that no function uses; `used` is `None` where that is not known.
    pub(super) fn check_all_used(&self, faults: &FaultList<ModelFault>, used: Option<&[String]>) {
        let Some(used) = used else { return };
        for (name, span) in &self.spans {
            if !used.contains(name) {
                let fault = ModelFault::WithoutFunction { name: name.clone() };
                faults.push(span.clone(), fault);
            }
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

/// The surfaces of one function.
#[derive(Clone, Copy)]
pub(super) struct Scope<'n> {
    pub function: &'n str,
    pub surfaces: &'n [String],
}

/// Who leads and who follows, over all match groups of a file or of a function.
pub(super) struct Roles<'n> {
    names: &'n Names,
    scope: Option<Scope<'n>>,
    references: BTreeMap<String, Range<usize>>,
    followers: BTreeMap<String, Range<usize>>,
}

impl<'n> Roles<'n> {
    pub(super) fn new(names: &'n Names, scope: Option<Scope<'n>>) -> Self {
        Self {
            names,
            scope,
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
            self.check_name(faults, "reference", reference);
            self.references
                .entry(reference.get_ref().clone())
                .or_insert(reference.span());
        }
        let Some(followers) = followers else { return };
        if followers.get_ref().is_empty() {
            table.fault(followers, ModelFault::Empty { key: "followers" });
        }
        for follower in followers.get_ref() {
            self.check_name(faults, "follower", follower);
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

    /// Refuses a name that no surface has, or none of the function's surfaces.
    fn check_name(
        &self,
        faults: &FaultList<ModelFault>,
        role: &'static str,
        name: &Spanned<String>,
    ) {
        self.names.check(faults, role, name);
        let Some(scope) = self.scope else { return };
        if self.names.has(name.get_ref()) && !scope.surfaces.contains(name.get_ref()) {
            let fault = ModelFault::NotOfFunction {
                role,
                name: name.get_ref().clone(),
                function: scope.function.to_owned(),
                surfaces: scope.surfaces.to_vec(),
            };
            faults.push(name.span(), fault);
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
