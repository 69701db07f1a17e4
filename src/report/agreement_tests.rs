//! One report says one thing: figures, sets of numbers and warnings agree wherever they are shown.

use super::*;
use crate::matching::MatchingWarning;
use crate::measured::Measured;
use crate::measurement::sample::{LEFT, RIGHT, heron};
use crate::model_file::Target;
use crate::response::ResponseWarning;
use crate::warning::Warning;

#[test]
fn a_bound_reads_the_same_in_warnings_and_verdicts() {
    // A bound is rounded up: 0.4037° is at most 0.41°.
    let remains = MatchingWarning::RemainsOutOfTolerance {
        follower: RIGHT.into(),
        at_most_deg: 0.4037,
        at_least_deg: 0.2,
        tolerance_deg: 0.3,
    };
    let text = remains.text();
    assert!(text.contains("0.41° (95 %)"), "{text}");
    let mut measurement = heron();
    let predicted = &mut measurement.matches[0].predicted_deg;
    (predicted.worst, predicted.least) = (0.4037, Some(0.2));
    assert_eq!(verdict::remains(&measurement.matches[0]), "0.41°");
    let short = MatchingWarning::FollowerOutOfReach {
        reference: LEFT.into(),
        follower: RIGHT.into(),
        stick_pct: 100.0,
        short_deg: Measured::from_expanded(1.84, 0.1043),
        reference_end_pct: 100.0,
        reference_end_point_pct: 91.0,
        target: Target::Reference,
        common_worst_deg: 0.2138,
    };
    let (text, mend) = (short.text(), short.mend());
    assert!(text.contains("1.84° ± 0.11°"), "{text}");
    assert!(mend.contains("0.22° at most"), "{mend}");
}

#[test]
fn an_uncertainty_reads_the_same_in_warnings_and_tables() {
    let wanders = ResponseWarning::NeutralWanders {
        surface: RIGHT.into(),
        difference_deg: Measured::from_expanded(0.43, 0.1043),
        threshold_deg: 0.3,
    };
    let text = wanders.text();
    assert!(text.contains("0.43° ± 0.11°"), "{text}");
}

