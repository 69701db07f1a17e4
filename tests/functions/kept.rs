//! Record, setup sheet and comparison over clips that show different surfaces.

use super::{ORDER, one_flap_each, v_tail};
use crate::bad_input::film::{self, Film, Moves, RIGHT};
use crate::bad_input::{Workplace, on_one_line};

/// Measures the film in a folder into another one of the same name with `-out`.
fn keep(workplace: &Workplace, name: &str, film: &Film, more: &[&str]) {
    film.write(&workplace.path(name));
    let out = format!("{name}-out");
    let command = [
        "measure",
        name,
        "--model",
        "model.toml",
        "--camera",
        "camera.toml",
    ];
    let output = workplace.run(&[&command, &["--out", &out][..], more].concat());
    assert!(output.status.success(), "{}", on_one_line(&output.stderr));
}

fn sheet(workplace: &Workplace, folders: &[&str]) -> (String, String) {
    let output = workplace.run(&[&["record", "--model", "model.toml"], folders].concat());
    assert!(output.status.success(), "{}", on_one_line(&output.stderr));
    let sheet = workplace.path("model-record/setup-001.html");
    let words = std::fs::read_to_string(sheet).unwrap();
    (on_one_line(&output.stdout), words)
}

#[test]
fn two_clips_of_different_surfaces_make_one_sheet_and_are_not_compared() {
    let workplace = Workplace::with(&film::good());
    let rudder = "[[surface]]\nname = \"rudder\"\nside = \"centre\"\ntag = 77\n\
                  [[function]]\nname = \"rudder\"\nsurfaces = [\"rudder\"]\n";
    workplace.write("model.toml", one_flap_each(ORDER) + rudder);
    let left = Film {
        missing: vec![RIGHT],
        ..film::good()
    };
    keep(&workplace, "first", &left, &[]);
    keep(
        &workplace,
        "second",
        &film::good(),
        &["--function", "right"],
    );
    let (told, sheet) = sheet(&workplace, &["first-out", "second-out"]);
    assert!(told.contains("not measured yet: rudder"), "{told}");
    for words in [
        "Which clip each surface is from",
        "left flap (left)",
        "right flap (right)",
        "-first</td>",
        "-second</td>",
        "<b>Not measured yet:</b> rudder.",
    ] {
        assert!(sheet.contains(words), "{words}: {sheet}");
    }
    for surface in ["left flap", "right flap"] {
        // Throws up and down, numbers entered, play and rest.
        let cell = format!("<td class=\"word\">{surface}</td>");
        assert_eq!(sheet.matches(&cell).count(), 4, "{surface}");
    }
    let output = workplace.run(&[
        "compare",
        "first-out/measurement.json",
        "second-out/measurement.json",
    ]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn both_functions_of_a_v_tail_are_on_the_sheet_and_are_compared_by_function() {
    let workplace = Workplace::with(&film::good());
    workplace.write("model.toml", v_tail(ORDER));
    let opposite = Film {
        moves: Moves::Opposite,
        ..film::good()
    };
    keep(&workplace, "pull", &film::good(), &[]);
    keep(&workplace, "yaw", &opposite, &[]);
    let (_, sheet) = sheet(&workplace, &["pull-out", "yaw-out"]);
    for function in ["elevator", "rudder"] {
        let pair = format!("right flap ({function}) against left flap ({function})");
        assert!(sheet.contains(&pair), "{pair}: {sheet}");
        let throws = format!("<td class=\"word\">left flap ({function})</td>");
        assert_eq!(sheet.matches(&throws).count(), 4, "{throws}: {sheet}");
    }
    let [pull, yaw] = ["pull-out/measurement.json", "yaw-out/measurement.json"];
    let output = workplace.run(&["compare", pull, yaw]);
    assert_eq!(output.status.code(), Some(2));
    let told = on_one_line(&output.stderr);
    let words = "right flap to left flap (elevator) before, right flap to left flap (rudder) after";
    assert!(told.contains(words), "{told}");
    let output = workplace.run(&["compare", yaw, yaw]);
    assert_eq!(output.status.code(), Some(2));
    let words = on_one_line(&output.stderr);
    assert!(words.contains("both are the same measurement"), "{words}");
}

#[test]
fn a_comparison_names_the_surfaces_of_one_clip_only() {
    let workplace = Workplace::with(&film::good());
    let rudder = "[[surface]]\nname = \"third\"\nside = \"centre\"\ntag = 42\n";
    workplace.write("model.toml", film::model(&film::by_cards()) + rudder);
    let three = workplace.path("three-out");
    keep(&workplace, "three", &film::good(), &[]);
    let file = three.join("measurement.json");
    let text = std::fs::read_to_string(&file).unwrap();
    let mut more: serde_json::Value = serde_json::from_str(&text).unwrap();
    let mut third = more["surfaces"][0].clone();
    third["name"] = "third".into();
    third["stations"] = serde_json::json!([]);
    more["surfaces"].as_array_mut().unwrap().push(third);
    let before = workplace.path("before.json");
    std::fs::write(&before, more.to_string()).unwrap();
    let output = workplace.run(&["compare", "before.json", "three-out/measurement.json"]);
    let told = on_one_line(&output.stdout);
    let words = "Not compared, since the second clip does not measure them: third.";
    assert!(
        told.contains(words),
        "{told}{}",
        on_one_line(&output.stderr)
    );
    let output = workplace.run(&[
        "compare",
        "before.json",
        "three-out/measurement.json",
        "--json",
    ]);
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(
        result["missing"],
        serde_json::json!([{"surface": "third", "missing": "after"}])
    );
}
