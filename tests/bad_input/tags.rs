//! Tags that are not there, too small, or there twice.

use super::film::{self, AIRFRAME, CARDS, Film, LEFT, RIGHT, STRANGER};
use super::{Workplace, on_one_line};

#[test]
fn nothing_is_said_against_a_good_film() {
    // Only so do the refusals below mean anything.
    let workplace = Workplace::with(&film::good());
    let output = workplace.measure("film", &["--json"]);
    assert!(output.status.success(), "{}", on_one_line(&output.stderr));
    let measurement: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(measurement["warnings"], serde_json::json!([]));
    for surface in measurement["surfaces"].as_array().unwrap() {
        let stations = surface["stations"].as_array().unwrap();
        assert_eq!(stations.len(), 5);
        for station in stations {
            let truth_deg =
                film::good().travel_deg * station["stick_pct"].as_f64().unwrap() / 100.0;
            let seen_deg = station["deflection_deg"]["value"].as_f64().unwrap();
            // Each hold at its own station; how exact it is, other tests hold to account.
            assert!((seen_deg - truth_deg).abs() < 1.0, "{station}");
        }
    }
}

#[test]
fn no_tag_ever_seen_because_all_are_too_small() {
    // 40 mm at 600 mm are 34.7 px, so these are 9 px: cells of little more than a pixel.
    let film = Film {
        scale: 0.26,
        ..film::good()
    };
    let words = [
        "none of the declared tags was seen in any of 67 frames",
        "14 px are needed",
        "film closer",
    ];
    let told = Workplace::with(&film).refuses("film", &[], &words);
    let (_, rest) = told.split_once("has edges of ").unwrap();
    let largest_px: f64 = rest.split_whitespace().next().unwrap().parse().unwrap();
    // The library finds such outlines to a pixel or so.
    assert!((largest_px - 9.0).abs() <= 1.5, "{told}");
}

#[test]
fn no_declared_tag_seen_but_others() {
    let film = Film {
        missing: [vec![AIRFRAME, LEFT, RIGHT], CARDS.to_vec()].concat(),
        lying_about: vec![(STRANGER, [320.0, 180.0])],
        ..film::good()
    };
    let words = [
        "none of the declared tags was seen",
        "but tag 42 was;",
        "correct the ids in the model file",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn both_surfaces_never_seen() {
    let film = Film {
        missing: vec![LEFT, RIGHT],
        ..film::good()
    };
    let words = [
        "2 surfaces cannot be measured",
        "tag 10 of the surface \"left flap\" was not found in any frame",
        "tag 23 of the surface \"right flap\" was not found in any frame",
        "check the tag's id",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn two_tags_with_one_id() {
    let film = Film {
        lying_about: vec![(LEFT, [320.0, 150.0])],
        ..film::good()
    };
    let words = [
        "tag 10 is in the picture twice at 0.00 s",
        "(303, 133)",
        "cover or take away one of the two",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn every_tag_too_small_to_be_measured() {
    // 12 px: the library still reads them, but corners would be guesses.
    let film = Film {
        scale: 0.36,
        ..film::good()
    };
    let words = [
        "none of the declared tags was seen in any of 67 frames",
        "14 px are needed",
        "; tag 10 was found but too small in",
        "film closer",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}
