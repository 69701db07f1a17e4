//! The page of a clip that could not be measured: there, complete, and in nobody's way.

use std::process::Output;

use assert_cmd::Command;

use super::film::{self, CARDS, Film, LEFT, RIGHT};
use super::{KEPT, PAGE, Workplace, on_one_line};

/// `measure` into a folder, without `--force`.
fn measure_into(workplace: &Workplace, out: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(workplace.folder.path())
        .env("HINGEWISE_CACHE_DIR", workplace.kept.path())
        .args(["measure", "film", "--model", "model.toml"])
        .args(["--camera", "camera.toml", "--out", out])
        .output()
        .unwrap()
}

/// The page that a refused film leaves as the only file of a new folder.
fn page_of(workplace: &Workplace) -> String {
    let output = measure_into(workplace, "new");
    let told = on_one_line(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(
        told.contains(&format!("new/{PAGE} shows the tags and holds")),
        "{told}"
    );
    let names: Vec<_> = std::fs::read_dir(workplace.path("new"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(names, [PAGE]);
    std::fs::read_to_string(workplace.path("new").join(PAGE)).unwrap()
}

/// The page without its drawings.
fn words_of(page: &str) -> String {
    let mut words = String::new();
    for (index, part) in page.split("<svg").enumerate() {
        let shown = if index == 0 {
            part
        } else {
            part.split_once("</svg>").unwrap().1
        };
        words += shown;
    }
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn with_a_wrong_order() -> Workplace {
    let workplace = Workplace::with(&film::good());
    let stations = "from = \"order\"\norder = [0, 100, 0, -100, 0, 100, 0]";
    workplace.write("model.toml", film::model(stations));
    workplace
}

#[test]
fn it_names_the_holds_by_time_and_picture() {
    let page = page_of(&with_a_wrong_order());
    let words = words_of(&page);
    // Each hold lasts 11 frames of 1/15 s, each move 3; the travel is 14° either way.
    for part in [
        "declares 7 holds, the clip shows 5",
        "Correct `order`",
        "<b>Hold 1</b>, 0.0 to 0.7 s",
        "<b>Hold 5</b>, 3.7 to 4.4 s",
        "left flap +14.",
        "<b>Hold 4</b>, 2.8 to 3.5 s<br>left flap −14.",
        "67 of 67",
        // 67 frames of 1/15 s, as a report counts them.
        "in the 4.5 s of the clip",
    ] {
        assert!(words.contains(part), "{part} is not in: {words}");
    }
    // A picture of each hold, and one of the clip for a wide page and for a phone.
    assert_eq!(page.matches("data:image/jpeg").count(), 5 + 2);
    for part in [
        "left flap, tag 10: 67 of 67 frames",
        "time, s",
        ">left flap, 10<",
    ] {
        assert!(page.contains(part), "{part}");
    }
    assert!(!page.contains("<script") && !page.contains("src="));
}

#[test]
fn it_shows_which_tags_were_not_seen() {
    let film = Film {
        missing: vec![LEFT, RIGHT],
        ..film::good()
    };
    let words = words_of(&page_of(&Workplace::with(&film)));
    for part in [
        "tag 10 of the surface &#34;left flap&#34; was not found in any frame",
        "tag 23 of the surface &#34;right flap&#34; was not found in any frame",
        "class=\"poor\">0 of 67<",
        "67 of 67",
    ] {
        assert!(words.contains(part), "{part} is not in: {words}");
    }
}

#[test]
fn it_outlines_the_tags_that_are_not_declared() {
    let workplace = Workplace::with(&film::good());
    let declared = film::model(&film::by_cards());
    let [left, right] = [LEFT, RIGHT].map(|id| format!("tag = {id}\n"));
    assert!(
        declared.contains(&left) && declared.contains(&right),
        "{declared}"
    );
    let other = declared
        .replace(&left, "tag = 40\n")
        .replace(&right, "tag = 41\n");
    workplace.write("model.toml", other);
    let page = page_of(&workplace);
    for part in [">10, not declared<", ">23, not declared<"] {
        assert!(page.contains(part), "{part}");
    }
}

#[test]
fn it_shows_the_cards_of_each_hold() {
    let film = Film {
        second_cards: vec![(1, CARDS[1])],
        ..film::good()
    };
    let words = words_of(&page_of(&Workplace::with(&film)));
    assert!(
        words.contains("<b>Hold 2</b>, 0.9 to 1.6 s; cards 0 % and +100 %"),
        "{words}"
    );
}

#[test]
fn it_shows_a_picture_where_the_search_itself_failed() {
    let film = Film {
        lying_about: vec![(LEFT, [320.0, 150.0])],
        ..film::good()
    };
    let page = page_of(&Workplace::with(&film));
    assert!(page.contains("Tag 10 is in the picture twice"));
    assert_eq!(page.matches("data:image/jpeg").count(), 2);
}

#[test]
fn the_same_call_works_once_the_mistake_is_mended() {
    let workplace = with_a_wrong_order();
    page_of(&workplace);
    assert_eq!(measure_into(&workplace, "new").status.code(), Some(2));
    workplace.write("model.toml", film::model(&film::by_cards()));
    let output = measure_into(&workplace, "new");
    assert!(output.status.success(), "{}", on_one_line(&output.stderr));
    assert!(workplace.path("new/report.html").exists());
    assert!(!workplace.path("new").join(PAGE).exists());
}

#[test]
fn results_of_an_earlier_day_stay_beside_it() {
    let workplace = with_a_wrong_order();
    // Without --force nothing is written at all.
    let told = on_one_line(&measure_into(&workplace, "results").stderr);
    assert!(told.contains("results already exists"), "{told}");
    assert!(!workplace.path("results").join(PAGE).exists());
    workplace.refuses("film", &[], &["declares 7 holds"]);
    assert!(workplace.path("results").join(PAGE).exists());
    let report = std::fs::read_to_string(workplace.path("results/report.html")).unwrap();
    assert_eq!(report, KEPT);
}
