//! Functions: what the surfaces of an aircraft do together, and the part of a file that one clip
//! needs.

use std::collections::{BTreeMap, BTreeSet};

use super::{MatchGroup, ModelFile, StationSource, Stations};

/// Surfaces that one stick moves together, with match groups and stations of their own.
#[derive(Debug, Clone, PartialEq)]
pub struct Function {
    /// Name, unique among the functions of the file.
    pub name: String,
    /// Names of its surfaces, in the order of its list. Other functions may move them too.
    pub surfaces: Vec<String>,
    /// Which of them have to move alike.
    pub matches: Vec<MatchGroup>,
    /// How the stick positions of a clip of this function are found.
    pub stations: Stations,
}

impl ModelFile {
    /// The function of that name.
    pub fn function(&self, name: &str) -> Option<&Function> {
        self.functions.iter().find(|function| function.name == name)
    }

    /// The same file with a function's match groups and stations for those of the whole file.
    pub fn of_function(&self, function: &Function) -> Self {
        Self {
            matches: function.matches.clone(),
            stations: function.stations.clone(),
            functions: Vec::new(),
            ..self.clone()
        }
    }

    /// The same file with some of its surfaces only, and what its match groups still hold.
    pub fn with_surfaces(&self, names: &BTreeSet<&str>) -> Self {
        let surfaces = self.surfaces.iter();
        Self {
            surfaces: surfaces
                .filter(|surface| names.contains(surface.name.as_str()))
                .cloned()
                .collect(),
            matches: groups_among(&self.matches, names),
            ..self.clone()
        }
    }

    /// Every station card of the file: stick position by tag id.
    pub fn cards(&self) -> BTreeMap<u32, f64> {
        let own = self.functions.iter().map(|function| &function.stations);
        own.chain([&self.stations])
            .filter_map(|stations| match &stations.source {
                StationSource::Cards(cards) => Some(cards),
                _ => None,
            })
            .flatten()
            .map(|(id, stick_pct)| (*id, *stick_pct))
            .collect()
    }
}

/// What match groups hold of some surfaces: a group without its reference or without any follower
/// is left out.
pub fn groups_among(groups: &[MatchGroup], names: &BTreeSet<&str>) -> Vec<MatchGroup> {
    let is_there = |name: &String| names.contains(name.as_str());
    groups
        .iter()
        .filter(|group| is_there(&group.reference))
        .map(|group| MatchGroup {
            followers: group
                .followers
                .iter()
                .filter(|name| is_there(name))
                .cloned()
                .collect(),
            ..group.clone()
        })
        .filter(|group| !group.followers.is_empty())
        .collect()
}
