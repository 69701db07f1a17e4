//! How neutral drifted, in words: for the setup sheet and for the terminal.

use super::figures::{plain_deg, signed_deg};
use crate::measured::Measured;
use crate::record::{Kept, NeutralChange, NeutralDrift};

/// Where a change is smaller than its doubt.
pub(super) const NO_CHANGE: &str = "no change beyond the doubt";

/// Where other numbers explain a change.
pub(super) const NUMBERS_CHANGED: &str = "other numbers were entered in between";

/// Under what condition neutral can be compared at all.
const ASSUMPTION: &str = "Neutral is compared by where the tags sit: that holds as long as none was \
     moved or stuck on anew since the earlier clip.";

/// What is left to do where the tags tell nothing.
const BY_EYE: &str = "each counts from its own neutral; whether that has moved is seen by eye.";

/// Plain sentences on the neutral of every surface against earlier measurements; none where nothing
/// tells it.
pub fn neutral_lines(drifts: &[NeutralDrift], earlier: &[Kept]) -> Vec<String> {
    let told = (!drifts.is_empty()).then(|| assumption(drifts, earlier));
    drifts.iter().map(line).chain(told).collect()
}

fn line(drift: &NeutralDrift) -> String {
    let (whose, since) = (whose(drift), &drift.since);
    let told = match drift.change {
        NeutralChange::TagsMoved => "cannot be told, the tags do not sit as they did".into(),
        NeutralChange::Told(change) if drift.is_sure() => format!("moved {}", moved(drift, change)),
        NeutralChange::Told(change) => format!("{NO_CHANGE} ({})", signed_deg(change)),
    };
    let why = match drift.is_sure() && drift.numbers_changed {
        true => format!("; {NUMBERS_CHANGED}"),
        false => String::new(),
    };
    format!("{whose}, neutral since {since}: {told}{why}")
}

/// "0.41° ± 0.06° up"; against another side, where up would be said of both, with a sign.
fn moved(drift: &NeutralDrift, change: Measured) -> String {
    if drift.against.is_some() {
        return signed_deg(change);
    }
    let size = Measured::new(change.value.abs(), change.sd);
    format!("{} {}", plain_deg(size), way(drift, change))
}

fn way(drift: &NeutralDrift, change: Measured) -> &'static str {
    match (drift.upright, change.value > 0.0) {
        (false, true) => "up",
        (false, false) => "down",
        (true, true) => "left",
        (true, false) => "right",
    }
}

/// "right tailplane", or "right tailplane against left tailplane".
pub(super) fn whose(drift: &NeutralDrift) -> String {
    match &drift.against {
        Some(other) => format!("{} against {other}", drift.surface),
        None => drift.surface.clone(),
    }
}

/// "+0.41° ± 0.06°", or a dash.
pub(super) fn figure(drift: &NeutralDrift) -> String {
    match drift.change {
        NeutralChange::Told(change) => signed_deg(change),
        NeutralChange::TagsMoved => "–".into(),
    }
}

/// What the change means.
pub(super) fn verdict(drift: &NeutralDrift) -> String {
    match drift.change {
        NeutralChange::TagsMoved => "the tags do not sit as they did: cannot be told".into(),
        NeutralChange::Told(_) if !drift.is_sure() => NO_CHANGE.into(),
        NeutralChange::Told(_) if drift.numbers_changed => NUMBERS_CHANGED.into(),
        NeutralChange::Told(_) if drift.against.is_some() => {
            "the neutrals moved apart: look at rod, horn and servo".into()
        }
        NeutralChange::Told(change) => {
            let way = way(drift, change);
            format!("neutral moved {way}: look at rod, horn and servo")
        }
    }
}

/// Under what assumption neutral is told, and where it is not.
pub(super) fn assumption(drifts: &[NeutralDrift], earlier: &[Kept]) -> String {
    let is_told = |kept: &Kept| {
        let told_since = |drift: &NeutralDrift| drift.since == kept.day();
        drifts.iter().any(told_since)
    };
    match (drifts.is_empty(), earlier.iter().all(is_told)) {
        (true, _) => format!("Nothing tells neutral against earlier measurements: {BY_EYE}"),
        (false, true) => ASSUMPTION.into(),
        (false, false) => {
            format!("{ASSUMPTION} Of measurements without such a line nothing tells it: {BY_EYE}")
        }
    }
}
