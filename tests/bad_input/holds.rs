//! Films whose holds cannot be told, or whose surfaces hardly move.

use super::Workplace;
use super::film::{self, CARDS, Film};

#[test]
fn cards_that_contradict() {
    let film = Film {
        second_cards: vec![(1, CARDS[1]), (3, CARDS[2])],
        ..film::good()
    };
    // The second hold begins after 14 frames of 1/15 s, the fourth after 42.
    let words = [
        "station cards contradict each other",
        "cards 2 and 3 at 1.",
        "cards 1 and 3 at 3.",
        "show one card at a time",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn no_card_in_any_hold() {
    let film = Film {
        missing: CARDS.to_vec(),
        ..film::good()
    };
    let words = [
        "5 holds were found",
        "no declared station card",
        "from = \"order\"",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn no_neutral_hold() {
    let film = Film {
        stations_pct: vec![100.0, -100.0, 100.0, -100.0],
        ..film::good()
    };
    let words = ["no hold is at stick 0", "neutral = { time_s ="];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn a_faulty_table_of_stations_is_found_before_the_clip_is_opened() {
    let workplace = Workplace::with(&film::good());
    workplace.write("stick.csv", "time_s,stick_pct\n0.5,0\nsoon,100\n");
    for source in ["marks", "log"] {
        let stations = format!("from = \"{source}\"\nfile = \"stick.csv\"");
        workplace.write("model.toml", film::model(&stations));
        workplace.refuses("no-such-clip.mp4", &[], &["stick.csv", "line 3", "soon"]);
    }
}

#[test]
fn another_number_of_holds_than_declared() {
    let workplace = Workplace::with(&film::good());
    let stations = "from = \"order\"\norder = [0, 100, 0, -100, 0, 100, 0]";
    workplace.write("model.toml", film::model(stations));
    // Each hold lasts 11 frames of 1/15 s, each move 3.
    let words = [
        "declares 7 holds, the clip shows 5",
        "hold 1 at 0.0–0.7 s",
        "hold 5 at 3.7–4.4 s",
        "correct `order`",
    ];
    let told = workplace.refuses("film", &[], &words);
    assert!(!told.contains('°'), "{told}");
}

#[test]
fn travel_too_small_to_fit_a_hinge() {
    let film = Film {
        travel_deg: 0.6,
        ..film::good()
    };
    // 1.2° are true.
    let words = [
        "surface \"left flap\" moved by 1.2° only",
        "3° are needed",
        "from end to end",
    ];
    Workplace::with(&film).refuses("film", &[], &words);
}

#[test]
fn surfaces_that_do_not_move_at_all() {
    let film = Film {
        travel_deg: 0.0,
        ..film::good()
    };
    let words = ["\"left flap\" did not move", "from end to end"];
    Workplace::with(&film).refuses("film", &[], &words);
}
