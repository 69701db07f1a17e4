//! How neutral drifted, in words: for the setup sheet and for the terminal.

use super::figures::{plain_deg, signed_deg};
use crate::measured::Measured;
use crate::record::{Kept, NeutralChange, NeutralDrift};

/// A change smaller than its uncertainty.
pub(super) const NO_CHANGE: &str = "no significant change";

/// Where other numbers explain a change.
pub(super) const NUMBERS_CHANGED: &str = "other numbers were entered in between";

/// The condition for comparing neutral.
const ASSUMPTION: &str = "Neutral is compared by the places of the tags. This is valid only if no tag \
     was moved or replaced since the earlier clip.";

/// What to do if the tags do not determine neutral.
const BY_EYE: &str = "each counts from its own neutral; check by eye whether that moved.";

/// Plain sentences on the neutral of every surface against earlier measurements; none without a
/// comparison.
pub fn neutral_lines(drifts: &[NeutralDrift], earlier: &[Kept]) -> Vec<String> {
    let condition = (!drifts.is_empty()).then(|| assumption(drifts, earlier));
    drifts.iter().map(line).chain(condition).collect()
}

fn line(drift: &NeutralDrift) -> String {
    let (whose, since) = (whose(drift), &drift.since);
    let change = match drift.change {
        NeutralChange::TagsMoved => "unknown, because tags were moved".into(),
        NeutralChange::Known(change) if drift.is_sure() => {
            format!("moved {}", moved(drift, change))
        }
        NeutralChange::Known(change) => format!("{NO_CHANGE} ({})", signed_deg(change)),
    };
    let why = match drift.is_sure() && drift.numbers_changed {
        true => format!("; {NUMBERS_CHANGED}"),
        false => String::new(),
    };
    format!("{whose}, neutral since {since}: {change}{why}")
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
        NeutralChange::Known(change) => signed_deg(change),
        NeutralChange::TagsMoved => "–".into(),
    }
}

/// Meaning of the change.
pub(super) fn verdict(drift: &NeutralDrift) -> String {
    match drift.change {
        NeutralChange::TagsMoved => "tags were moved: unknown".into(),
        NeutralChange::Known(_) if !drift.is_sure() => NO_CHANGE.into(),
        NeutralChange::Known(_) if drift.numbers_changed => NUMBERS_CHANGED.into(),
        NeutralChange::Known(_) if drift.against.is_some() => {
            "the neutrals moved apart: check rod, horn and servo".into()
        }
        NeutralChange::Known(change) => {
            let way = way(drift, change);
            format!("neutral moved {way}: check rod, horn and servo")
        }
    }
}

/// The condition for comparing neutral, and the measurements without a comparison.
pub(super) fn assumption(drifts: &[NeutralDrift], earlier: &[Kept]) -> String {
    let is_told = |kept: &Kept| {
        let told_since = |drift: &NeutralDrift| drift.since == kept.day();
        drifts.iter().any(told_since)
    };
    match (drifts.is_empty(), earlier.iter().all(is_told)) {
        (true, _) => format!("Neutral could not be compared with earlier measurements: {BY_EYE}"),
        (false, true) => ASSUMPTION.into(),
        (false, false) => {
            format!(
                "{ASSUMPTION} For measurements without such a line it could not be compared: {BY_EYE}"
            )
        }
    }
}
