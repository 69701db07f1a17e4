//! One report says one thing: figures, sets of numbers and warnings agree wherever they are shown.

use super::*;
use crate::comparison::Comparison;
use crate::matching::MatchingWarning;
use crate::measured::Measured;
use crate::measurement::Measurement;
use crate::measurement::sample::{LEFT, RIGHT, heron, short_at_the_top};
use crate::model_file::Target;
use crate::response::ResponseWarning;
use crate::warning::Warning;
use crate::warning::WarningText;

fn terminal(measurement: &Measurement) -> String {
    summary::summary(measurement, None)
}

/// The page as plain words, one space between them.
fn page_words(measurement: &Measurement) -> String {
    let page = page::page(measurement, None).unwrap();
    let mut words = String::new();
    for piece in page.split('<') {
        words.push_str(piece.split_once('>').map_or("", |(_, text)| text));
        words.push(' ');
    }
    let words = words.replace('\u{a0}', " ");
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The sample with its right side short at the top: 1.3° remain with numbers alone.
fn short() -> Measurement {
    let mut measurement = heron();
    let correction = &mut measurement.matches[0];
    let predicted = &mut correction.predicted_deg;
    (predicted.worst, predicted.least) = (1.31, Some(1.2));
    predicted.stations[8].mismatch_deg = Measured::from_expanded(-1.3, 0.04);
    correction.out_of_reach = vec![short_at_the_top(correction)];
    measurement
}

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

#[test]
fn where_a_side_falls_short_the_common_travel_comes_first_with_both_sides_numbers() {
    let text = terminal(&short());
    let at = |words: &str| {
        text.find(words)
            .unwrap_or_else(|| panic!("{words}: {text}"))
    };
    let left = at("For the common travel: left tailplane");
    let right = at("For the common travel: right tailplane");
    assert!(left < right && at("Another way, with the left tailplane as it is") < left);
    // The reference's end point has a row of its own.
    let row = text[left..right]
        .lines()
        .find(|line| line.contains('▸'))
        .unwrap();
    let figures: Vec<&str> = row.split_whitespace().rev().take(2).collect();
    assert_eq!(figures, ["95", "100"], "{row}");
    let page = page_words(&short());
    assert!(page.contains("For the common travel: left tailplane"));
}

#[test]
fn where_a_side_falls_short_predictions_belong_to_the_common_travel() {
    // The sample keeps no prediction by station for the common travel, as files of earlier programs:
    // that of the other set must not be shown in its place.
    for words in [terminal(&short()), page_words(&short())] {
        assert!(!words.contains("−1.30 ± 0.04 −1.30 ± 0.04"), "{words}");
        let row = words
            .lines()
            .find(|line| line.trim_start().starts_with("+100  "));
        assert!(
            row.is_none_or(|row| !row.contains("−1.30 ± 0.04      −1.30")),
            "{row:?}"
        );
        assert!(!words.contains("adjust the linkage first"), "{words}");
    }
    let page = page_words(&short());
    let remaining = page.find("Remaining mismatch: at most 0.16°");
    let instead = page.find("Instead, with the left tailplane as it is");
    assert!(remaining < instead && remaining.is_some(), "{page}");
}

#[test]
fn no_numbers_are_shown_where_the_sides_are_swapped() {
    let mut measurement = short();
    measurement.warnings.push(WarningText {
        code: "sides-exchanged".into(),
        text: "left and right are swapped".into(),
        mend: "do not enter any number".into(),
        grave: true,
    });
    for words in [terminal(&measurement), page_words(&measurement)] {
        // The mark of a number that changes, and what only a sentence on numbers says.
        assert!(!words.contains('▸'), "{words}");
        assert!(!words.contains("will remain"), "{words}");
        assert!(!words.contains("numbers below"), "{words}");
        assert!(words.contains("No numbers are shown"), "{words}");
    }
    // The file keeps them.
    assert!(measurement.to_json().unwrap().contains("end_points_pct"));
}

#[test]
fn no_other_round_is_offered_where_the_sides_are_swapped() {
    let (before, mut after) = (heron(), heron());
    after.clip.path = "clips/heron_tail_again.mp4".into();
    let round = |after: &Measurement| {
        let comparison = Comparison::of(&before, after).unwrap();
        let page = comparison_page(&comparison, &before, after).unwrap();
        [comparison_summary(&comparison, after), page].map(|words| {
            let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
            let is_offered = words.contains("Another round is worth it");
            assert_eq!(words.contains('▸'), is_offered, "{words}");
            assert_eq!(
                words.contains("No numbers are shown"),
                !is_offered,
                "{words}"
            );
            is_offered
        })
    };
    assert_eq!(round(&after), [true, true]);
    after.warnings.push(WarningText {
        code: "sides-exchanged".into(),
        text: "left and right are swapped".into(),
        mend: "do not enter any number".into(),
        grave: true,
    });
    assert_eq!(round(&after), [false, false]);
}

#[test]
fn a_prediction_beyond_the_tolerance_is_marked_as_well() {
    let mut measurement = heron();
    let predicted = &mut measurement.matches[0].predicted_deg.stations[7];
    predicted.mismatch_deg = Measured::from_expanded(0.79, 0.11);
    let text = terminal(&measurement);
    let row = |stick: &str| {
        let table = &text[text.find("predicted").unwrap()..];
        let mut rows = table.lines();
        rows.find(|row| row.trim_start().starts_with(stick))
            .unwrap()
            .to_owned()
    };
    assert!(
        row("+75 ").ends_with("both beyond tolerance"),
        "{}",
        row("+75 ")
    );
    assert!(row("+100 ").ends_with("found beyond tolerance"));
    let page = page::page(&measurement, None).unwrap();
    assert!(page.contains("<td class=\"beyond\">+0.79 ± 0.11</td>"));
}

#[test]
fn a_warning_is_printed_once() {
    let mut measurement = heron();
    let other = WarningText {
        code: "c".into(),
        text: "the left tag was blurred".into(),
        mend: "clean the lens".into(),
        grave: false,
    };
    measurement.warnings.push(other);
    let text = terminal(&measurement);
    for warning in &measurement.warnings {
        let first = warning.text.split(" in ").next().unwrap();
        assert_eq!(text.matches(first).count(), 1, "{text}");
    }
    assert!(!text.contains("listed below"), "{text}");
}

#[test]
fn a_direction_is_checked_without_a_second_pair_of_angles() {
    let text = terminal(&short());
    assert!(text.contains("both trailing edges were UP. If"), "{text}");
    assert!(text.contains("in the middle of the play"), "{text}");
}

#[test]
fn a_side_that_is_its_own_target_is_left_alone() {
    let mut measurement = heron();
    measurement.groups[0].target = Target::Smaller;
    let correction = &mut measurement.matches[0];
    correction.target = Target::Smaller;
    correction.reference = Target::Smaller.name().into();
    for station in &mut correction.found_deg {
        station.mismatch_deg = Measured::new(0.0, 0.0);
    }
    correction.found_worst_deg = Some(Measured::new(0.0, 0.0));
    correction.settings = correction.stages[0].settings.clone();
    let judgement = Judgement::of(&measurement, &measurement.matches[0]);
    assert_eq!(judgement.verdict, Verdict::Alike);
    assert_eq!(
        judgement.sentence(&measurement.matches[0]),
        "The right tailplane is the smaller side over the whole travel and stays as it is."
    );
}

#[test]
fn a_poor_health_figure_is_among_the_warnings_and_in_the_terminal() {
    let mut measurement = heron();
    measurement.surfaces[1].health.return_to_neutral_deg =
        Some(Measured::from_expanded(0.35, 0.04));
    let words = "right tailplane: return to neutral 0.35° ± 0.04° (good: up to 0.30°)";
    let text = terminal(&measurement);
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains(words), "{text}");
    let page = page_words(&measurement);
    assert!(
        page[page.find("Warnings").unwrap()..].contains(words),
        "{page}"
    );
    assert!(page.contains("; on average at −"), "{page}");
}

/// The sample measured again with its numbers declared as entered, though nothing moved.
fn declared_and_not_entered() -> Measurement {
    let mut after = heron();
    after.date = Some("2026-11-26".into());
    let settings = after.matches[0].settings.clone();
    if let Some(radio) = &mut after.radio {
        radio.active = [(RIGHT.into(), settings)].into();
    }
    after
}

#[test]
fn numbers_that_were_declared_and_not_entered_are_asked_for_and_no_others_proposed() {
    let (before, after) = (heron(), declared_and_not_entered());
    let comparison = Comparison::of(&before, &after).unwrap();
    let page = comparison_page(&comparison, &before, &after).unwrap();
    for words in [comparison_summary(&comparison, &after), page] {
        let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains("Both clips show the same motion"), "{words}");
        assert!(!words.contains("Another round"), "{words}");
        assert!(!words.contains("curve point"), "{words}");
        assert!(!words.contains("right servo"), "{words}");
    }
    let kept = crate::record::Kept {
        name: "001-2026-11-25-heron_tail".into(),
        measurement: before,
    };
    let drifts = crate::record::drifts(&after, &[kept]);
    assert!(
        drifts
            .iter()
            .all(|drift| drift.since == "2026-11-25 (entry 1)")
    );
    // Cured sides are no such case.
    let cured = Comparison::of(&heron(), &crate::measurement::sample::heron_after()).unwrap();
    assert!(!comparison_summary(&cured, &heron()).contains("same motion"));
}

#[test]
fn a_changed_tolerance_is_named() {
    let mut after = heron();
    after.groups[0].tolerance_deg = 7.0;
    let comparison = Comparison::of(&heron(), &after).unwrap();
    let text = comparison_summary(&comparison, &after);
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("the first measurement accepted ±0.30°"),
        "{text}"
    );
}

#[test]
fn an_unknown_cause_is_explained_in_plain_words() {
    let mut measurement = heron();
    measurement.matches[0].cause = Some(crate::matching::Cause::Unknown);
    let words = page::cause_sentences(&measurement.matches[0]).join(" ");
    assert!(
        words.contains("no single difference, and no pair of differences,"),
        "{words}"
    );
}

#[test]
fn the_tables_fit_a_phone() {
    // Cells wrap or rows are stacked: nothing lies beyond the edge, where nobody looks for it.
    let style = include_str!("templates/style.css");
    assert!(style.contains("table.numbers td.word { white-space: normal; }"));
    for template in [
        include_str!("templates/setup_sheet.html"),
        include_str!("templates/calibration.html"),
    ] {
        let wide = template.matches("<table").count();
        let fitting = template.matches("class=\"fold").count()
            + template.matches("class=\"wide fold").count()
            + template.matches("class=\"narrow").count();
        assert_eq!(fitting, wide);
    }
}

#[test]
fn a_clip_that_shows_another_airframe_tag_names_it_first() {
    use crate::motion::MotionError;
    let other = MotionError::CameraMovedUnseen {
        undeclared: vec![0],
    };
    let (text, mend) = (other.to_string(), other.mend());
    assert!(
        text.starts_with("the clip shows tag 0, which the model file does not declare"),
        "{text}"
    );
    assert!(mend.starts_with("if this tag is on a part that never moves, declare it"));
    let none = MotionError::CameraMovedUnseen { undeclared: vec![] };
    assert!(none.to_string().starts_with("no airframe tag was seen"));
}

#[test]
fn a_measurement_with_a_target_of_its_own_can_be_read_again() {
    let mut measurement = heron();
    measurement.groups[0].target = Target::Smaller;
    let correction = &mut measurement.matches[0];
    correction.target = Target::Smaller;
    correction.reference = Target::Smaller.name().into();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("measurement.json");
    std::fs::write(&file, measurement.to_json().unwrap()).unwrap();
    assert_eq!(
        Measurement::read(&file).unwrap().matches[0].reference,
        "smaller of the sides"
    );
}

#[test]
fn a_promise_is_that_of_the_set_that_was_entered() {
    let before = short();
    let mut after = declared_and_not_entered();
    let promised = |after: &Measurement| {
        let comparison = Comparison::of(&before, after).unwrap();
        comparison.pairs[0].promised_worst_deg.unwrap()
    };
    assert_eq!(promised(&after), 1.31);
    let reduced = before.reduced_settings(&before.matches[0]);
    if let Some(radio) = &mut after.radio {
        radio.active.insert(LEFT.into(), reduced);
    }
    assert_eq!(promised(&after), 0.16);
}
