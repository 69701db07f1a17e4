//! The rests that were seen, by their numbers, times and pictures.

use std::collections::BTreeSet;

use crate::model_file::ModelFile;
use crate::report::ReportError;
use crate::report::figures;
use crate::report::format::Format;
use crate::report::still::{Picture, seen_still};
use crate::stations::SeenRest;

use super::Unfinished;

/// One rest on the page.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldView<'a> {
    /// Counted from 1.
    pub number: usize,
    /// From when to when.
    pub time: String,
    /// The stations of the cards that were seen in it.
    pub cards: String,
    /// Deflection of each surface from the first rest.
    pub deflections: Vec<String>,
    /// A drawing.
    pub still: Option<&'a str>,
}

/// All rests in time.
pub fn hold_views<'a>(seen: &Unfinished<'a>) -> Vec<HoldView<'a>> {
    let first = seen.rests.first();
    let stills = seen.rest_stills.iter().map(|still| Some(still.as_str()));
    let views = seen.rests.iter().zip(stills.chain(std::iter::repeat(None)));
    views
        .enumerate()
        .map(|(index, (rest, still))| HoldView {
            number: index + 1,
            time: format!("{:.1} to {:.1} s", rest.time_s[0], rest.time_s[1]),
            cards: cards(seen, rest),
            deflections: first.map_or_else(Vec::new, |first| deflections(seen.model, first, rest)),
            still,
        })
        .collect()
}

/// A small picture from the middle of a rest.
///
/// # Errors
/// The picture lacks pixels or cannot be compressed.
pub fn hold_still(model: &ModelFile, picture: &Picture<'_>) -> Result<String, ReportError> {
    seen_still(model, picture, Format::Narrow)
}

/// The stations of all cards that were seen in a rest.
fn cards(seen: &Unfinished<'_>, rest: &SeenRest) -> String {
    let stick_by_card = seen.model.cards();
    if stick_by_card.is_empty() {
        return String::new();
    }
    let [from_s, to_s] = rest.time_s;
    let within = seen
        .frames
        .iter()
        .filter(|frame| (from_s..=to_s).contains(&frame.time_s));
    let ids: BTreeSet<u32> = within
        .flat_map(|frame| &frame.sightings)
        .map(|sighting| sighting.tag_id)
        .collect();
    let sticks = ids.iter().filter_map(|id| stick_by_card.get(id));
    let words: Vec<String> = sticks
        .map(|&stick_pct| format!("{} %", figures::percent(stick_pct)))
        .collect();
    match words.as_slice() {
        [] => "no card".into(),
        [one] => format!("card {one}"),
        more => format!("cards {}", more.join(" and ")),
    }
}

/// Deflection of each surface from the first rest; nothing for that rest itself.
fn deflections(model: &ModelFile, first: &SeenRest, rest: &SeenRest) -> Vec<String> {
    if rest == first {
        return Vec::new();
    }
    let pairs = first.deflection_deg.iter().zip(&rest.deflection_deg);
    let surfaces = model.surfaces.iter().zip(pairs);
    surfaces
        .map(|(surface, (first_deg, now_deg))| {
            let name = &surface.name;
            match (first_deg, now_deg) {
                (Some(first_deg), Some(now_deg)) => {
                    let moved = figures::signed(now_deg - first_deg, 1);
                    format!("{name} {moved}°")
                }
                _ => format!("{name} not measured"),
            }
        })
        .collect()
}
