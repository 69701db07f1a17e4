//! Assigns stations to rests from the cards seen in them.

use std::collections::BTreeMap;

use super::Labels;
use crate::motion::Motion;
use crate::stations::constants::CONFLICT_SHARE;
use crate::stations::error::{CardConflict, StationsError};
use crate::stations::warning::StationsWarning;
use crate::tags::Sightings;

/// One rest as the cards need it.
pub(in crate::stations) struct CardSpan<'a> {
    /// Settled frames.
    pub settled: &'a [usize],
    /// First and last frame near the level, used if no settled frame shows a card.
    pub whole: [usize; 2],
    /// Span of the settled frames.
    pub time_s: [f64; 2],
}

/// The station of each rest; `None` where no card was seen, which also raises a warning.
pub(in crate::stations) fn label_by_cards(
    motion: &Motion,
    sightings: &Sightings,
    stick_by_card: &BTreeMap<u32, f64>,
    rests: &[CardSpan],
    warnings: &mut Vec<StationsWarning>,
) -> Result<Labels, StationsError> {
    let cards = cards_by_frame(sightings, stick_by_card);
    let mut labels = Vec::with_capacity(rests.len());
    let mut conflicts = Vec::new();
    for rest in rests {
        let count_by_card = count_by_card(motion, &cards, rest);
        if let Some(ids) = contradiction(&count_by_card, stick_by_card) {
            conflicts.push(CardConflict {
                time_s: rest.time_s,
                ids,
            });
        }
        let most_seen = count_by_card.iter().max_by_key(|(_, count)| **count);
        labels.push(most_seen.and_then(|(card, _)| stick_by_card.get(card).copied()));
    }
    if !conflicts.is_empty() {
        return Err(StationsError::CardsContradict { conflicts });
    }
    let strangers = strangers(motion, sightings, rests, &labels);
    if labels.iter().all(Option::is_none) {
        return Err(StationsError::NoCard {
            rests: rests.len(),
            strangers,
        });
    }
    let unlabelled = rests
        .iter()
        .zip(&labels)
        .filter(|(_, label)| label.is_none());
    let times_s: Vec<[f64; 2]> = unlabelled.map(|(rest, _)| rest.time_s).collect();
    if !times_s.is_empty() {
        warnings.push(StationsWarning::HoldsWithoutCard { strangers, times_s });
    }
    Ok(labels)
}

/// Number of frames of a rest that show each card: settled frames, or if those show none, all frames
/// near the level.
fn count_by_card(
    motion: &Motion,
    cards: &BTreeMap<usize, Vec<u32>>,
    rest: &CardSpan,
) -> BTreeMap<u32, usize> {
    let count = |frames: &mut dyn Iterator<Item = usize>| {
        let mut count_by_card: BTreeMap<u32, usize> = BTreeMap::new();
        for card in frames
            .flat_map(|k| cards.get(&motion.frames[k].index))
            .flatten()
        {
            *count_by_card.entry(*card).or_default() += 1;
        }
        count_by_card
    };
    let in_settled = count(&mut rest.settled.iter().copied());
    if !in_settled.is_empty() {
        return in_settled;
    }
    let [first, last] = rest.whole;
    count(&mut (first..=last))
}

/// Undeclared tags seen in rests without a declared card and in no other rest, rising: objects
/// lying around show in all of them.
fn strangers(
    motion: &Motion,
    sightings: &Sightings,
    rests: &[CardSpan],
    labels: &[Option<f64>],
) -> Vec<u32> {
    let rest_at = |time_s: f64| {
        let mut pairs = rests.iter().zip(labels);
        let within = |(rest, _): &(&CardSpan, &Option<f64>)| {
            let [from_s, to_s] = rest.whole.map(|frame| motion.frames[frame].time_s);
            (from_s..=to_s).contains(&time_s)
        };
        pairs.find(within)
    };
    let undeclared = sightings.overview.undeclared_s.iter();
    undeclared
        .filter(|(_, times_s)| {
            let seen_in: Vec<&Option<f64>> = times_s
                .iter()
                .filter_map(|&time_s| Some(rest_at(time_s)?.1))
                .collect();
            !seen_in.is_empty() && seen_in.iter().all(|label| label.is_none())
        })
        .map(|(&tag_id, _)| tag_id)
        .collect()
}

fn cards_by_frame(
    sightings: &Sightings,
    stick_by_card: &BTreeMap<u32, f64>,
) -> BTreeMap<usize, Vec<u32>> {
    let cards = |frame: &crate::tags::SightedFrame| {
        frame
            .sightings
            .iter()
            .map(|sighting| sighting.tag_id)
            .filter(|id| stick_by_card.contains_key(id))
            .collect()
    };
    sightings
        .frames
        .iter()
        .map(|frame| (frame.index, cards(frame)))
        .collect()
}

/// Ids of cards of different stations that were each seen too often for a late change.
fn contradiction(
    count_by_card: &BTreeMap<u32, usize>,
    stick_by_card: &BTreeMap<u32, f64>,
) -> Option<Vec<u32>> {
    let total: usize = count_by_card.values().sum();
    let often: Vec<u32> = count_by_card
        .iter()
        .filter(|(_, count)| **count as f64 >= CONFLICT_SHARE * total as f64)
        .map(|(card, _)| *card)
        .collect();
    let first_stick = often.first().and_then(|card| stick_by_card.get(card))?;
    let differ = often
        .iter()
        .any(|card| stick_by_card.get(card) != Some(first_stick));
    differ.then_some(often)
}
