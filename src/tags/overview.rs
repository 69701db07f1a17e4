//! Overview: everything that a search found in a clip besides the sightings.

use std::collections::BTreeMap;

use super::pattern_fit::picture::TagPicture;

/// A tag that is seen in this share of the pictures that show any undeclared tag is no card: of two
/// cards that take turns, the one for neutral is seen in two thirds.
const THROUGHOUT_SHARE: f64 = 0.8;

/// Everything that a search found in a clip besides the sightings.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Overview {
    /// The mean picture of each declared tag that was seen.
    pub pictures: BTreeMap<u32, TagPicture>,
    /// Times at which tags were seen that are not declared, by id; rising. The whole picture is
    /// searched only while a declared tag or a card is missing, and now and then.
    pub undeclared_s: BTreeMap<u32, Vec<f64>>,
}

impl Overview {
    /// In how many searched pictures each undeclared tag was seen, by id.
    pub fn undeclared_counts(&self) -> Vec<(u32, usize)> {
        let undeclared = self.undeclared_s.iter();
        undeclared
            .map(|(&tag_id, times_s)| (tag_id, times_s.len()))
            .collect()
    }

    /// The undeclared tags that were there nearly whenever any was seen. A tag on the aircraft is, while
    /// cards take turns.
    pub fn undeclared_throughout(&self) -> Vec<u32> {
        let mut times_s: Vec<f64> = self.undeclared_s.values().flatten().copied().collect();
        times_s.sort_by(f64::total_cmp);
        times_s.dedup();
        let undeclared = self.undeclared_s.iter();
        undeclared
            .filter(|(_, seen_s)| seen_s.len() as f64 >= THROUGHOUT_SHARE * times_s.len() as f64)
            .map(|(&tag_id, _)| tag_id)
            .collect()
    }

    /// Whether the pictures of a tag are poor enough to explain its odd look.
    pub fn is_spoiled(&self, tag_id: u32) -> bool {
        let picture = self.pictures.get(&tag_id);
        picture.is_some_and(|picture| picture.fault().is_some())
    }
}
