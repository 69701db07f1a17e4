//! The model file: what a good one means, and that all faults of a bad one are told at once.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use hingewise::model_file::{
    Compare, CurveShows, EndPoints, Joins, MatchMotion, ModelFile, Side, StationSource, Target,
    default_cards,
};
use miette::{Diagnostic, GraphicalReportHandler, GraphicalTheme};

/// The page a person sees, without colours and at a fixed width.
fn page(error: &dyn Diagnostic) -> String {
    let mut page = String::new();
    GraphicalReportHandler::new_themed(GraphicalTheme::unicode_nocolor())
        .with_width(100)
        .render_report(&mut page, error)
        .unwrap();
    page
}

fn faults_of(text: &str) -> Vec<String> {
    match ModelFile::parse(Path::new("model.toml"), text.into()) {
        Ok(_) => Vec::new(),
        Err(file) => file.faults().iter().map(ToString::to_string).collect(),
    }
}

fn good_text() -> String {
    std::fs::read_to_string("tests/data/model_file/good.toml").unwrap()
}

#[test]
fn a_good_file_is_read_with_its_defaults() {
    let model = ModelFile::read(Path::new("tests/data/model_file/good.toml")).unwrap();
    assert_eq!(model.name, "Heron 2.1 m");
    assert_eq!(model.airframe_tags[0].edge_mm, 30.0);

    let [left, right, rudder] = &model.surfaces[..] else {
        panic!("three surfaces")
    };
    assert_eq!(
        (left.side, left.tag_id, left.edge_mm),
        (Side::Left, 10, 20.0)
    );
    assert_eq!(left.hinge_to_tag_mm.unwrap().sd, 1.0);
    assert_eq!((right.edge_mm, right.chord_mm), (8.0, None));
    assert!(rudder.upright && !left.upright);

    assert_eq!(model.matches[0].motion, MatchMotion::Same);
    assert_eq!(model.matches[0].tolerance_deg, 0.25);
    assert_eq!(model.stations.source, StationSource::Cards(default_cards()));

    let radio = model.radio.unwrap();
    assert_eq!(radio.joins, Joins::Smooth);
    assert_eq!(
        radio.active["right tailplane"].end_points_pct,
        [100.0, 97.0]
    );
}

#[test]
fn a_span_in_which_the_surfaces_are_held_level_is_read() {
    let text = good_text().replace(
        "from = \"cards\"",
        "from = \"cards\"\nlevel = { time_s = [1.0, 3.0] }",
    );
    let model = ModelFile::parse(Path::new("model.toml"), text).unwrap();
    assert_eq!(model.stations.level_time_s, Some([1.0, 3.0]));
}

#[test]
fn a_radio_is_read_as_it_is() {
    let text = good_text()
        .replace(
            "step_pct =",
            "curve_shows = \"output\"\ncurve_limit_pct = 125\nend_points = \"before\"\nstep_pct =",
        )
        .replace(
            "[0, 0, 1, 0, -2]",
            "[-100, -50, 1, 50, 98]\ninput = \"reversed\"",
        )
        .replace(
            "motion = \"same\"",
            "motion = \"opposite\"\ncompare = \"up-with-down\"",
        );
    let model = ModelFile::parse(Path::new("model.toml"), text).unwrap();
    assert_eq!(model.matches[0].compare, Compare::UpWithDown);
    let radio = model.radio.unwrap();
    assert_eq!(radio.curve_shows, CurveShows::Output);
    assert_eq!(radio.end_points, EndPoints::Before);
    assert_eq!(radio.curve_limit_pct, 125.0);
    assert!(radio.reversed.contains("right tailplane"));
    // What is left out is what most radios do.
    let plain = ModelFile::parse(Path::new("model.toml"), good_text()).unwrap();
    assert_eq!(plain.matches[0].compare, Compare::UpWithUp);
    let radio = plain.radio.unwrap();
    assert_eq!(
        (radio.curve_shows, radio.curve_limit_pct),
        (CurveShows::Added, 100.0)
    );
    assert!(radio.reversed.is_empty());
}

#[test]
fn curve_numbers_of_the_other_kind_are_refused() {
    // Outputs where additions are declared, and additions where outputs are.
    let outputs = good_text().replace("[0, 0, 1, 0, -2]", "[-100, -50, 1, 50, 98]");
    let additions = good_text().replace("step_pct =", "curve_shows = \"output\"\nstep_pct =");
    for (text, words) in [
        (
            outputs,
            "look like outputs (the position itself where nothing is entered)",
        ),
        (
            additions,
            "look like additions (0 where nothing is entered)",
        ),
    ] {
        let faults = faults_of(&text);
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert!(faults[0].contains(words), "{faults:?}");
    }
}

#[test]
fn a_radio_that_counts_in_microseconds_is_read_in_them() {
    // By hand: 5 µs a percent, so that 500 µs are 100 %.
    let text = good_text();
    let radio = text.find("[radio]").unwrap();
    let text = text[..radio].to_owned()
        + "[radio]\nunit = \"microseconds\"\nus_per_pct = 5.0\n\
           curve_points_us = [-500, -250, 0, 250, 500]\nstep_us = 1\nlimit_us = 750\n\
           [radio.active.\"right tailplane\"]\ncurve_us = [0, 0, 0, 60, -125]\n\
           sub_trim_us = 8\nend_points_us = [500, 490]\n";
    let model = ModelFile::parse(Path::new("model.toml"), text).unwrap();
    let radio = model.radio.unwrap();
    let points = radio.curve_points_pct.unwrap();
    let entered = &radio.active["right tailplane"];
    assert_eq!(points, [-100.0, -50.0, 0.0, 50.0, 100.0]);
    assert_eq!((radio.limit_pct, radio.us_per_pct), (150.0, Some(5.0)));
    assert_eq!(radio.step_pct, 0.2);
    assert_eq!(entered.curve_pct, [0.0, 0.0, 0.0, 12.0, -25.0]);
    assert_eq!(entered.sub_trim_pct, 1.6);
    assert_eq!(entered.end_points_pct, [100.0, 98.0]);
}

#[test]
fn throws_in_mm_are_turned_round_the_declared_chord() {
    // By hand: the good file's chord is 92 mm, and 2 · 92 mm · sin(10°) = 31.951 mm.
    let throws = "target = \"throws\"\nthrows_mm = { up = 31.951, down = 31.951 }";
    let text = good_text().replacen("tolerance_deg = 0.25", throws, 1);
    let model = ModelFile::parse(Path::new("model.toml"), text).unwrap();
    let Target::Throws { up_deg, down_deg } = model.matches[0].target else {
        panic!("throws")
    };
    assert!((up_deg - 20.0).abs() < 1e-3 && up_deg == down_deg);
}

#[test]
fn default_cards_follow_the_documented_rule() {
    // The five pairs are worked out by hand from id = 120 + stick / 5.
    let cards = default_cards();
    for (id, stick_pct) in [
        (100, -100.0),
        (105, -75.0),
        (120, 0.0),
        (121, 5.0),
        (140, 100.0),
    ] {
        assert_eq!(cards[&id], stick_pct);
    }
    assert_eq!(cards.len(), 41);
}

#[test]
fn all_faults_of_a_file_are_told_at_once() {
    let path = Path::new("tests/data/model_file/faulty.toml");
    insta::assert_snapshot!(page(&ModelFile::read(path).unwrap_err()));
}

#[test]
fn broken_toml_is_told_with_its_place() {
    let text = "format = 1\n[model\nname = \"Heron\"\nname = 3 4\n";
    let error = ModelFile::parse(Path::new("model.toml"), text.into()).unwrap_err();
    insta::assert_snapshot!(page(&error));
}

#[test]
fn a_model_file_and_a_camera_profile_that_were_exchanged_are_named_as_such() {
    let camera = std::fs::read_to_string("sample-frames/camera.toml").unwrap();
    assert_eq!(faults_of(&camera), ["this is a camera profile"]);
    let path = Path::new("camera.toml");
    let faulty = hingewise::camera::CameraProfile::parse(path, good_text()).unwrap_err();
    let faults: Vec<String> = faulty.faults().iter().map(ToString::to_string).collect();
    assert_eq!(faults, ["this is a model file of an aircraft"]);
}

#[test]
fn a_file_that_is_not_there_is_told_with_its_name() {
    let error = ModelFile::read(Path::new("no/such/model.toml")).unwrap_err();
    let page = page(&error);
    assert!(page.contains("no/such/model.toml"), "{page}");
    assert!(page.contains("help:"), "{page}");
}

/// One change to the good file, and the one fault that it has to raise.
#[test]
fn each_single_fault_raises_one_message_and_no_other() {
    let cases = [
        ("format = 1\n", "", "`format` is missing in the file"),
        ("name = \"Heron 2.1 m\"", "name = \" \"", "`name` is empty"),
        (
            "edge_mm = 20.0",
            "egde_mm = 20.0",
            "unknown key `egde_mm` in [tags]",
        ),
        (
            "edge_mm = 20.0",
            "edge_mm = 0",
            "`edge_mm` = 0 is outside 0.5 to 1000 mm",
        ),
        ("edge_mm = 20.0", "edge_mm = inf", "has to be a number"),
        (
            "side = \"left\"",
            "side = \"Left\"",
            "`side` cannot be \"Left\"",
        ),
        (
            "tag = 10\n",
            "tag = 10.0\n",
            "`tag` has to be a whole number",
        ),
        ("tag = 10\n", "tag = -1\n", "`tag` has to be a whole number"),
        ("tag = 10\n", "", "`tag` is missing in [[surface]]"),
        ("tag = 11\n", "tag = 10\n", "id 10 is used twice"),
        (
            "id = 0\n",
            "id = 587\n",
            "no tag of the family 36h11 has the id 587",
        ),
        (
            "tag = 12",
            "tag = 130",
            "id 130 is the default card for 50 %",
        ),
        (
            "upright = true",
            "upright = \"yes\"",
            "`upright` has to be true or false",
        ),
        (
            "motion = \"same\"\n",
            "",
            "`motion` is missing in [[match]]",
        ),
        (
            "[\"right tailplane\"]\nmotion",
            "[]\nmotion",
            "`followers` is empty",
        ),
        (
            "[\"right tailplane\"]\nmotion",
            "[\"left tailplane\"]\nmotion",
            "\"left tailplane\" is both a reference and a follower",
        ),
        (
            "from = \"cards\"",
            "from = \"order\"",
            "`order` is missing in [stations]",
        ),
        (
            "from = \"cards\"",
            "from = \"marks\"",
            "`file` is missing in [stations]",
        ),
        (
            "from = \"cards\"",
            "from = \"order\"\norder = [50, 100]",
            "`order` has no 0, so neutral is unknown",
        ),
        (
            "from = \"cards\"",
            "from = \"cards\"\nlevel = { time_s = [3.0, 1.0] }",
            "3 s to 1 s is not a span of time",
        ),
        (
            "from = \"cards\"",
            "from = \"cards\"\ncards = { 200 = 0, ten = 50 }",
            "no tag of the family 36h11 has the id ten",
        ),
        (
            "from = \"cards\"",
            "from = \"cards\"\ncards = {}",
            "`cards` has 0 entries",
        ),
        (
            "from = \"cards\"",
            "from = \"cards\"\ncards = { 200 = 101 }",
            "is outside -100 to 100 %",
        ),
        (
            "[-100, -50, 0, 50, 100]",
            "[-100, 0, 0, 50, 100]",
            "do not rise",
        ),
        (
            "[0, 0, 1, 0, -2]",
            "[0, 0, 1, -2]",
            "`curve_pct` has 4 numbers",
        ),
        (
            "[100, 97]",
            "[100, 151]",
            "`end_points_pct` = 151 is outside 0 to 150 %",
        ),
        (
            "tolerance_deg = 0.25",
            "down_to_up = 0.6",
            "`down_to_up` is set, but no surface here goes up",
        ),
        (
            "tolerance_deg = 0.25",
            "target = \"throws\"",
            "`throws_deg` is missing in [[match]]",
        ),
        (
            "tolerance_deg = 0.25",
            "throws_deg = { up = 20, down = 18 }",
            "throws are set, but the target is not",
        ),
        (
            "tolerance_deg = 0.25",
            "target = \"throws\"\nthrows_deg = { up = 20, down = 7 }",
            "throws of 20 up and 7 down are too unequal",
        ),
        (
            "tolerance_deg = 0.25",
            "target = \"throws\"\nthrows_mm = { up = 300, down = 290 }",
            "too short for these throws",
        ),
        (
            "tolerance_deg = 0.25",
            "target = \"larger\"",
            "`target` cannot be \"larger\"",
        ),
        (
            "step_pct =",
            "step_us =",
            "`step_us` is set, but the radio uses percent",
        ),
        (
            "step_pct =",
            "unit = \"microseconds\"\nstep_us = 5\nstep_pct =",
            "`step_us` and `step_pct` are both set",
        ),
        (
            "step_pct =",
            "us_per_pct = 5\nstep_pct =",
            "`us_per_pct` is set, but the radio uses percent",
        ),
        (
            "step_pct =",
            "unit = \"inches\"\nstep_pct =",
            "`unit` cannot be \"inches\"",
        ),
        (
            "[radio.active.\"right tailplane\"]",
            "[radio.active.\"right tailplan\"]",
            "the active surface \"right tailplan\" is not a surface of this file",
        ),
    ];
    for (good, bad, message) in cases {
        let text = good_text();
        assert_eq!(text.matches(good).count(), 1, "{good:?} names one place");
        let faults = faults_of(&text.replacen(good, bad, 1));
        assert_eq!(faults.len(), 1, "{bad:?} gives {faults:#?}");
        assert!(faults[0].contains(message), "{bad:?} gives {faults:#?}");
    }
}

mod any_file {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// A file with pieces taken out, doubled or overwritten is read or refused with places
        /// that lie in it; nothing panics.
        #[test]
        fn mangled_files_are_read_or_refused(
            cuts in prop::collection::vec((any::<prop::sample::Index>(), 0usize..40, ".{0,6}"), 1..4),
        ) {
            let mut letters: Vec<char> = good_text().chars().collect();
            for (place, length, replacement) in cuts {
                let start = place.index(letters.len().max(1)).min(letters.len());
                let end = (start + length).min(letters.len());
                letters.splice(start..end, replacement.chars());
            }
            let text: String = letters.into_iter().collect();
            if let Err(file) = ModelFile::parse(Path::new("model.toml"), text.clone()) {
                prop_assert!(!file.faults().is_empty());
                for fault in file.faults() {
                    prop_assert!(fault.span.end <= text.len());
                }
                prop_assert!(page(&file).contains("help:"));
            }
        }
    }
}
