//! Rendered films through the real binary: surfaces that are not there or do not move, several
//! functions in one clip, and two functions of one pair.

use serde_json::{Value, json};

use super::{ORDER, one_flap_each, v_tail};
use crate::bad_input::film::{self, Film, LEFT, Moves, RIGHT, STRANGER};
use crate::bad_input::{Workplace, on_one_line};

fn measured(workplace: &Workplace, more: &[&str]) -> Value {
    let output = workplace.measure("film", &[more, &["--json"]].concat());
    assert!(output.status.success(), "{}", on_one_line(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn surfaces(measurement: &Value) -> Vec<&str> {
    let surfaces = measurement["surfaces"].as_array().unwrap();
    surfaces
        .iter()
        .map(|one| one["name"].as_str().unwrap())
        .collect()
}

/// Surface and reason of each entry of `not_measured`.
fn not_measured(measurement: &Value) -> Vec<[&str; 2]> {
    let Some(missing) = measurement["not_measured"].as_array() else {
        return vec![];
    };
    missing
        .iter()
        .map(|entry| ["surface", "reason"].map(|key| entry[key].as_str().unwrap()))
        .collect()
}

fn codes(measurement: &Value) -> Vec<&str> {
    let warnings = measurement["warnings"].as_array().unwrap();
    warnings
        .iter()
        .map(|one| one["code"].as_str().unwrap())
        .collect()
}

/// Each hold of a surface at its own station; how exact they are, other tests hold to account.
fn check_stations(measurement: &Value, surface: &str, direction: f64) {
    let all = measurement["surfaces"].as_array().unwrap();
    let own = all.iter().find(|one| one["name"] == surface).unwrap();
    let stations = own["stations"].as_array().unwrap();
    let sticks: Vec<f64> = stations
        .iter()
        .map(|station| station["stick_pct"].as_f64().unwrap())
        .collect();
    assert_eq!(sticks, film::good().stations_pct, "{surface}");
    for (station, stick_pct) in stations.iter().zip(sticks) {
        let truth_deg = direction * film::good().travel_deg * stick_pct / 100.0;
        let seen_deg = station["deflection_deg"]["value"].as_f64().unwrap();
        assert!((seen_deg - truth_deg).abs() < 1.0, "{surface}: {station}");
    }
}

#[test]
fn a_side_that_is_not_in_the_picture_costs_only_itself() {
    let workplace = Workplace::with(&Film {
        missing: vec![RIGHT],
        ..film::good()
    });
    let measurement = measured(&workplace, &[]);
    assert_eq!(surfaces(&measurement), ["left flap"]);
    check_stations(&measurement, "left flap", 1.0);
    assert_eq!(not_measured(&measurement), [["right flap", "not-filmed"]]);
    assert_eq!(
        measurement["not_measured"][0]["unmatched_with"],
        json!(["left flap"])
    );
    assert_eq!(codes(&measurement), ["surface-not-measured"]);
    assert_eq!(measurement["groups"], json!([]));
    assert_eq!(measurement["matches"], json!([]));

    let page = std::fs::read_to_string(workplace.path("results/report.html")).unwrap();
    for words in [
        "One side was not measured: nothing is matched",
        "The right flap was not measured (not in the picture), so it is not matched with the left flap.",
        "Not measured in this clip",
    ] {
        assert!(page.contains(words), "{words}");
    }
    // A check cannot pass with one side alone.
    let output = workplace.measure("film", &["--check"]);
    assert_eq!(
        output.status.code(),
        Some(1),
        "{}",
        on_one_line(&output.stderr)
    );
    let told = on_one_line(&output.stdout);
    assert!(told.contains("right flap: not in the picture"), "{told}");

    // The record can be read and matched again, also by the whole model file.
    for more in [&[][..], &["--model", "model.toml"]] {
        let again = workplace.run(&[&["match", "results/measurement.json"], more].concat());
        assert!(again.status.success(), "{}", on_one_line(&again.stderr));
    }
}

#[test]
fn a_side_that_rests_costs_only_itself() {
    let workplace = Workplace::with(&Film {
        moves: Moves::LeftOnly,
        ..film::good()
    });
    let measurement = measured(&workplace, &[]);
    assert_eq!(surfaces(&measurement), ["left flap"]);
    check_stations(&measurement, "left flap", 1.0);
    assert_eq!(not_measured(&measurement), [["right flap", "not-moved"]]);
    assert_eq!(codes(&measurement), ["surface-not-measured"]);
}

#[test]
fn a_function_that_does_not_move_is_listed_without_a_warning() {
    let workplace = Workplace::with(&Film {
        moves: Moves::LeftOnly,
        ..film::good()
    });
    let rudder = "[[surface]]\nname = \"rudder\"\nside = \"centre\"\ntag = 77\n\
                  [[function]]\nname = \"rudder\"\nsurfaces = [\"rudder\"]\n";
    workplace.write("model.toml", one_flap_each(ORDER) + rudder);
    let measurement = measured(&workplace, &[]);
    assert_eq!(
        measurement["functions"],
        json!([{"name": "left", "surfaces": ["left flap"]}])
    );
    check_stations(&measurement, "left flap", 1.0);
    assert_eq!(
        not_measured(&measurement),
        [["right flap", "not-moved"], ["rudder", "not-filmed"]]
    );
    assert_eq!(measurement["warnings"], json!([]));

    let chosen = measured(&workplace, &["--function", "left"]);
    assert_eq!(surfaces(&chosen), ["left flap"]);
    assert_eq!(
        not_measured(&chosen),
        [["right flap", "not-chosen"], ["rudder", "not-chosen"]]
    );
    assert_eq!(chosen["surfaces"], measurement["surfaces"]);

    let words = ["no function \"ruder\"", "did you mean \"rudder\"?"];
    workplace.refuses("film", &["--function", "ruder"], &words);
    // The film has station cards that this model file does not declare, so its tags are listed.
    let words = [
        "tag 77 of the surface \"rudder\" was not found",
        "correct the tag's id",
    ];
    workplace.refuses("film", &["--function", "rudder"], &words);
}

#[test]
fn a_wrong_tag_id_is_named_in_the_verdict_whatever_functions_there_are() {
    let workplace = Workplace::with(&Film {
        missing: vec![RIGHT],
        lying_about: vec![(STRANGER, [480.0, 150.0])],
        ..film::good()
    });
    let pair = film::model(&film::by_cards());
    for (model, code, words) in [
        (
            pair,
            "surface-not-measured",
            "The right flap was not measured (another tag was seen instead of its own: 42)",
        ),
        (
            one_flap_each(ORDER),
            "undeclared-tags",
            "Warning: the clip shows tag 42, which the model file does not declare, and never the right flap \
             (tag 23)",
        ),
    ] {
        workplace.write("model.toml", model);
        let measurement = measured(&workplace, &[]);
        assert_eq!(surfaces(&measurement), ["left flap"]);
        assert_eq!(codes(&measurement), [code]);
        assert_eq!(measurement["not_measured"][0]["tags_instead"], json!([42]));
        let page = std::fs::read_to_string(workplace.path("results/report.html")).unwrap();
        let (_, verdict) = page.split_once("<div class=\"verdict").unwrap();
        let (verdict, _) = verdict.split_once("</div>").unwrap();
        let verdict = verdict.replace('\u{a0}', " ");
        assert!(verdict.contains(words), "{verdict}");
        assert!(verdict.contains("correct the tag&#39;s id"), "{verdict}");
    }
}

#[test]
fn two_functions_that_move_in_turn_are_measured_from_one_clip() {
    let workplace = Workplace::with(&Film {
        moves: Moves::InTurn,
        ..film::good()
    });
    for stations in [ORDER, &film::by_cards()] {
        workplace.write("model.toml", one_flap_each(stations));
        let measurement = measured(&workplace, &[]);
        assert_eq!(surfaces(&measurement), ["left flap", "right flap"]);
        check_stations(&measurement, "left flap", 1.0);
        check_stations(&measurement, "right flap", 1.0);
        assert_eq!(measurement["warnings"], json!([]));
        let functions = measurement["functions"].as_array().unwrap();
        assert_eq!(functions.len(), 2);
        assert!(functions[0]["neutral"].is_object() && functions[1]["neutral"].is_object());
        let again = workplace.run(&["match", "results/measurement.json"]);
        assert!(again.status.success(), "{}", on_one_line(&again.stderr));
    }
}

#[test]
fn a_level_clip_beside_several_functions_is_not_searched_and_the_report_names_the_reason() {
    let workplace = Workplace::with(&Film {
        moves: Moves::InTurn,
        ..film::good()
    });
    film::good().write(&workplace.path("level"));
    workplace.write("model.toml", one_flap_each(ORDER));
    let level = ["--level", "level", "--trace", "trace"];
    let measurement = measured(&workplace, &level);
    assert_eq!(surfaces(&measurement), ["left flap", "right flap"]);
    assert_eq!(codes(&measurement), ["level-not-used"]);
    let warning = &measurement["warnings"][0];
    let text = warning["text"].as_str().unwrap();
    assert!(text.contains("shows several functions"), "{text}");
    assert!(warning["help"].as_str().unwrap().contains("--function"));
    assert_eq!(measurement["level_zero"], Value::Null);
    let times = std::fs::read_to_string(workplace.path("trace/times.csv")).unwrap();
    assert!(!times.contains("level clip"), "{times}");
    assert_eq!(workplace.cached_searches(), 1);

    // Beside a single function it is searched.
    let chosen = [&level[..], &["--function", "left"]].concat();
    measured(&workplace, &chosen);
    let times = std::fs::read_to_string(workplace.path("trace/times.csv")).unwrap();
    assert!(times.contains("level clip"), "{times}");
    assert_eq!(workplace.cached_searches(), 2);
}

#[test]
fn the_motion_shows_which_function_of_a_v_tail_a_clip_is_of() {
    for (moves, name, direction) in [
        (Moves::Alike, "elevator", 1.0),
        (Moves::Opposite, "rudder", -1.0),
    ] {
        let workplace = Workplace::with(&Film {
            moves,
            ..film::good()
        });
        workplace.write("model.toml", v_tail(ORDER));
        let measurement = measured(&workplace, &[]);
        assert_eq!(measurement["functions"][0]["name"], name);
        assert_eq!(measurement["functions"].as_array().unwrap().len(), 1);
        check_stations(&measurement, "left flap", 1.0);
        check_stations(&measurement, "right flap", direction);
        assert_eq!(measurement["matches"].as_array().unwrap().len(), 1);
        let words = [
            "\"elevator\" or \"rudder\" all move the \"left flap\"",
            "one function at a time",
        ];
        let both = ["--function", "elevator", "--function", "rudder"];
        workplace.refuses("film", &both, &words);
    }
}

#[test]
fn one_side_of_a_v_tail_does_not_show_its_function() {
    let workplace = Workplace::with(&Film {
        missing: vec![LEFT],
        ..film::good()
    });
    workplace.write("model.toml", v_tail(ORDER));
    let words = [
        "does not show which function moves the \"right flap\"",
        "choose one with --function",
    ];
    workplace.refuses("film", &[], &words);
    let chosen = measured(&workplace, &["--function", "rudder"]);
    assert_eq!(chosen["functions"][0]["name"], "rudder");
    assert_eq!(not_measured(&chosen), [["left flap", "not-filmed"]]);
    assert_eq!(codes(&chosen), ["surface-not-measured"]);
}

#[test]
fn a_function_whose_stick_positions_are_not_found_costs_only_itself() {
    let workplace = Workplace::with(&Film {
        moves: Moves::InTurn,
        ..film::good()
    });
    let wrong = "[[function]]\nname = \"right\"\nsurfaces = [\"right flap\"]\n[function.stations]\n\
                 from = \"order\"\norder = [0, 20, 40, 60, 80, 100, 50, 0, -50, -100]\n";
    let right = "[[function]]\nname = \"right\"\nsurfaces = [\"right flap\"]\n";
    workplace.write("model.toml", one_flap_each(ORDER).replace(right, wrong));
    let measurement = measured(&workplace, &[]);
    assert_eq!(surfaces(&measurement), ["left flap"]);
    check_stations(&measurement, "left flap", 1.0);
    assert_eq!(not_measured(&measurement), [["right flap", "no-stations"]]);
    assert_eq!(codes(&measurement), ["function-without-stations"]);
    let output = workplace.measure("film", &["--check"]);
    assert_eq!(output.status.code(), Some(1));
    // Named by the person, it is refused.
    workplace.refuses(
        "film",
        &["--function", "right"],
        &["declares 10 holds, the clip shows 5"],
    );
}

#[test]
fn pairs_of_a_plain_file_that_rest_are_only_listed() {
    let workplace = Workplace::with(&film::good());
    let elevators = "[[surface]]\nname = \"left elevator\"\nside = \"left\"\ntag = 77\n\
                     [[surface]]\nname = \"right elevator\"\nside = \"right\"\ntag = 78\n\
                     [[match]]\nreference = \"left elevator\"\nfollowers = [\"right elevator\"]\n\
                     motion = \"same\"\n";
    workplace.write("model.toml", film::model(&film::by_cards()) + elevators);
    let measurement = measured(&workplace, &[]);
    assert_eq!(surfaces(&measurement), ["left flap", "right flap"]);
    assert_eq!(measurement["warnings"], json!([]));
    assert_eq!(measurement["matches"].as_array().unwrap().len(), 1);
    let expected = [
        ["left elevator", "not-filmed"],
        ["right elevator", "not-filmed"],
    ];
    assert_eq!(not_measured(&measurement), expected);
}
