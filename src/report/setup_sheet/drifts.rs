//! The drifts of the setup sheet: of the throws and of neutral, against earlier measurements.

use crate::record::{Drift, NeutralDrift, Source};
use crate::report::figures::{percent, signed_deg};
use crate::report::neutral_drift;

/// The drift at one station, or of neutral.
pub(super) struct DriftRow {
    pub since: String,
    pub surface: String,
    pub stick: String,
    pub change: String,
    pub words: String,
}

/// All drifts, grouped by the earlier measurement, neutral first.
pub(super) fn drift_rows(sources: &[Source<'_>], of_neutral: &[NeutralDrift]) -> Vec<DriftRow> {
    let drifts: Vec<Drift> = sources.iter().flat_map(Source::drifts).collect();
    let order: Vec<String> = drifts.iter().map(|drift| drift.since.clone()).collect();
    let place = |row: &DriftRow| order.iter().position(|since| *since == row.since);
    let neutral = of_neutral.iter().map(neutral_row);
    let mut rows: Vec<DriftRow> = neutral.chain(drifts.into_iter().map(drift_row)).collect();
    rows.sort_by_key(place);
    rows
}

fn drift_row(drift: Drift) -> DriftRow {
    DriftRow {
        stick: percent(drift.stick_pct),
        change: signed_deg(drift.change_deg),
        words: match (drift.is_sure(), drift.numbers_changed) {
            (false, true) => format!(
                "{}, although other numbers are declared: check that they were entered",
                neutral_drift::NO_CHANGE
            ),
            (false, false) => neutral_drift::NO_CHANGE.into(),
            (true, true) => neutral_drift::NUMBERS_CHANGED.into(),
            (true, false) if drift.proposal_undeclared => {
                "moved: if the numbers proposed then were entered, declare them; else check linkage \
                 and servo"
                    .into()
            }
            (true, false) => "moved: check linkage and servo".into(),
        },
        since: drift.since,
        surface: drift.surface,
    }
}

fn neutral_row(drift: &NeutralDrift) -> DriftRow {
    DriftRow {
        since: drift.since.clone(),
        surface: neutral_drift::whose(drift),
        stick: "neutral".into(),
        change: neutral_drift::figure(drift),
        words: neutral_drift::verdict(drift),
    }
}
