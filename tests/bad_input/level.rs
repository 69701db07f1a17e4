//! A level clip beside the main one: rendered pairs with known neutrals, through the real binary.

use serde_json::Value;

use super::{Workplace, film};

/// Where the straight edge holds the surfaces, from the neutral of the main film, deg: left, right.
const HELD_DEG: [f64; 2] = [1.0, -1.5];

/// A workplace with a main film and a level film, and a tolerance that asks for numbers.
fn workplace(level: &film::Film) -> Workplace {
    let main = film::Film {
        stations_pct: vec![0.0, 50.0, 100.0, 50.0, 0.0, -50.0, -100.0, -50.0, 0.0],
        ..film::good()
    };
    let place = Workplace::with(&main);
    level.write(&place.path("level"));
    let model = film::model(&film::by_cards());
    place.write(
        "model.toml",
        model.replace("tolerance_deg = 3.0", "tolerance_deg = 0.3"),
    );
    place
}

fn held() -> film::Film {
    film::Film {
        stations_pct: vec![0.0, 0.0],
        held_deg: Some(HELD_DEG),
        ..film::good()
    }
}

fn measured(place: &Workplace) -> Value {
    let output = place.measure("film", &["--level", "level"]);
    assert!(output.status.success(), "{output:?}");
    let file = place.path("results/measurement.json");
    serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap()
}

#[test]
fn the_neutrals_of_a_rendered_pair_are_compared_and_levelled_by_sub_trim() {
    let place = workplace(&held());
    let measurement = measured(&place);
    let level = &measurement["level_zero"];
    assert_eq!(level["shown_by"], "level", "{:#}", measurement["warnings"]);
    // Neutral is as far above the held position as that is below neutral.
    for (surface, held_deg) in HELD_DEG.iter().enumerate() {
        let neutral = &level["surfaces"][surface]["neutral_deg"];
        let (value, u) = (
            neutral["value"].as_f64().unwrap(),
            neutral["u"].as_f64().unwrap(),
        );
        println!("surface {surface}: {value}° ± {u}° of {}°", -held_deg);
        assert!((value + held_deg).abs() <= u, "{neutral} {held_deg}");
    }
    let correction = &measurement["matches"][0];
    let apart_deg = HELD_DEG[0] - HELD_DEG[1];
    let neutral = &correction["neutral_deg"];
    let (value, u) = (
        neutral["value"].as_f64().unwrap(),
        neutral["u"].as_f64().unwrap(),
    );
    println!("right above left: {value}° ± {u}° of {apart_deg}°");
    assert!((value - apart_deg).abs() <= u.min(0.1), "{neutral}");
    // 14° at full stick, both sides alike: 2.5° are 17.9 % of command, in steps of 1 %.
    let sub_trim = correction["correction"]["sub_trim_pct"].as_f64().unwrap();
    assert!((sub_trim + apart_deg / 0.14).abs() <= 1.5, "{sub_trim}");
    let page = std::fs::read_to_string(place.path("results/report.html")).unwrap();
    assert!(page.contains("higher than the left flap"));
}

#[test]
fn without_a_level_clip_the_page_says_that_each_side_counts_from_its_own_neutral() {
    let place = workplace(&held());
    let output = place.measure("film", &[]);
    assert!(output.status.success(), "{output:?}");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        said.contains("Each side counts from its own neutral"),
        "{said}"
    );
}

#[test]
fn a_level_clip_whose_tags_were_moved_is_a_warning_and_costs_nothing_else() {
    let mut level = held();
    // The left tag 20 mm out of its place along the hinge.
    level.left_shift_mm = 20.0;
    let place = workplace(&level);
    let measurement = measured(&place);
    assert_eq!(measurement["level_zero"], Value::Null);
    let warnings = measurement["warnings"].as_array().unwrap();
    let warning = warnings
        .iter()
        .find(|one| one["code"] == "level-not-used")
        .unwrap();
    assert!(
        warning["text"]
            .as_str()
            .unwrap()
            .contains("a tag was moved")
    );
    assert_eq!(measurement["matches"][0]["neutral_deg"], Value::Null);
}

#[test]
fn a_level_clip_that_is_not_there_is_refused_before_the_work() {
    let place = workplace(&held());
    let output = place.measure("film", &["--level", "nowhere"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("nowhere"));
}
