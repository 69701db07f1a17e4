//! `compare` and `record` as a person calls them, on two kept measurements of an invented aircraft.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;

fn hingewise(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    command.current_dir(folder);
    command
}

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(name)
}

/// A folder with the model file and the results of two measurements.
fn workshop() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in ["before", "after"] {
        let result = folder.path().join(name);
        std::fs::create_dir(&result).unwrap();
        let kept = data(&format!("measurement/{name}.json"));
        std::fs::copy(kept, result.join("measurement.json")).unwrap();
    }
    std::fs::write(folder.path().join("before/report.html"), "the page").unwrap();
    std::fs::copy(
        data("model_file/good.toml"),
        folder.path().join("heron.toml"),
    )
    .unwrap();
    folder
}

/// Every file below a folder with what it holds.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(contents(&path));
        } else {
            let bytes = std::fs::read(&path).unwrap();
            found.insert(path, bytes);
        }
    }
    found
}

#[test]
fn a_cured_pair_ends_well_and_an_uncured_one_with_exit_code_1() {
    let folder = workshop();
    let [before, after] = ["before/measurement.json", "after/measurement.json"];
    hingewise(folder.path())
        .args(["compare", before, after, "--out", "comparison"])
        .assert()
        .success()
        .stdout(contains("Within tolerance").and(contains("0.12° ± 0.04°")));
    let page = std::fs::read_to_string(folder.path().join("comparison/comparison.html")).unwrap();
    assert!(page.contains("Within tolerance") && page.contains("propeller off"));
    filmed_again(folder.path());
    hingewise(folder.path())
        .args(["compare", "before", "again"])
        .assert()
        .code(1)
        .stdout(
            contains("Out of tolerance")
                .and(contains("Another round is worth it"))
                .and(contains("Enter for the right tailplane only, in percent"))
                .and(contains("curve point at +100")),
        );
}

/// A measurement of another clip that found the same as the one before.
fn filmed_again(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("before/measurement.json")).unwrap();
    let mut again: serde_json::Value = serde_json::from_str(&text).unwrap();
    again["clip"]["path"] = "clips/heron_tail_again.mp4".into();
    std::fs::create_dir(folder.join("again")).unwrap();
    std::fs::write(folder.join("again/measurement.json"), again.to_string()).unwrap();
}

#[test]
fn a_measurement_against_itself_and_one_of_another_aircraft_are_refused() {
    let folder = workshop();
    hingewise(folder.path())
        .args(["compare", "before", "before/measurement.json"])
        .assert()
        .code(2)
        .stderr(contains("both are the same measurement"));
    let file = folder.path().join("after/measurement.json");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("Heron 2.1 m", "Plover 1.6 m")).unwrap();
    hingewise(folder.path())
        .args(["compare", "before", "after"])
        .assert()
        .code(2)
        .stderr(contains("\"Heron 2.1 m\"").and(contains("\"Plover 1.6 m\"")));
    hingewise(folder.path())
        .args(["compare", "before", "after", "--renamed"])
        .assert()
        .success();
}

/// The second measurement as if its radio declared nothing.
fn without_declared_numbers(folder: &Path) {
    let file = folder.join("after/measurement.json");
    let text = std::fs::read_to_string(&file).unwrap();
    let mut after: serde_json::Value = serde_json::from_str(&text).unwrap();
    after["radio"]["active"] = serde_json::json!({});
    std::fs::write(&file, after.to_string()).unwrap();
}

#[test]
fn numbers_that_were_entered_and_not_declared_are_asked_for() {
    let folder = workshop();
    without_declared_numbers(folder.path());
    hingewise(folder.path())
        .args(["compare", "before", "after"])
        .assert()
        .stdout(
            contains("declares no new numbers")
                .and(contains("--entered BEFORE"))
                .and(contains("Another round is worth it").not()),
        );
    hingewise(folder.path())
        .args(["record", "before", "after", "--model", "heron.toml"])
        .assert()
        .success();
    let sheet = folder.path().join("heron-record/setup-001.html");
    let sheet = std::fs::read_to_string(sheet).unwrap();
    assert!(sheet.contains("entered when filmed: not declared"));
    assert!(sheet.contains("if the numbers proposed then were entered, declare them"));
}

#[test]
fn an_earlier_proposal_is_taken_as_entered() {
    let folder = workshop();
    without_declared_numbers(folder.path());
    hingewise(folder.path())
        .args([
            "match",
            "after",
            "--entered",
            "before",
            "--out",
            "after-entered",
        ])
        .assert()
        .success();
    let read = |name: &str| -> serde_json::Value {
        let file = folder.path().join(name).join("measurement.json");
        serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap()
    };
    let (before, matched) = (read("before"), read("after-entered"));
    let active = &matched["radio"]["active"]["right tailplane"];
    assert_eq!(*active, before["matches"][0]["correction"]);
    let from = matched["radio"]["proposed_in"].as_str().unwrap();
    assert_eq!(from, "2026-11-25, clips/heron_tail.mp4");
    hingewise(folder.path())
        .args(["compare", "before", "after-entered"])
        .assert()
        .stdout(contains("declares no new numbers").not());
    // Another tolerance does not forget what was entered; the file declares another radio, or none.
    let model = std::fs::read_to_string(folder.path().join("heron.toml")).unwrap();
    let (model, _) = model.split_once("[radio]").unwrap();
    std::fs::write(folder.path().join("plain.toml"), model).unwrap();
    hingewise(folder.path())
        .args([
            "match",
            "after-entered",
            "--model",
            "plain.toml",
            "--out",
            "again",
        ])
        .assert()
        .success();
    let again = read("again");
    assert_eq!(again["radio"]["active"]["right tailplane"], *active);
    hingewise(folder.path())
        .args(["record", "before", "after-entered", "--model", "heron.toml"])
        .assert()
        .success();
    let sheet = folder.path().join("heron-record/setup-001.html");
    let sheet = std::fs::read_to_string(sheet).unwrap();
    assert!(
        sheet.contains("those proposed by the measurement of 2026-11-25 (clips/heron_tail.mp4)")
    );
}

#[test]
fn a_proposal_for_another_aircraft_is_not_taken_as_entered() {
    let folder = workshop();
    let file = folder.path().join("before/measurement.json");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("Heron 2.1 m", "Plover 1.6 m")).unwrap();
    hingewise(folder.path())
        .args(["match", "after", "--entered", "before"])
        .assert()
        .code(2)
        .stderr(contains("is a measurement of \"Plover 1.6 m\""));
}

#[test]
fn json_of_a_comparison_stands_alone_on_standard_output() {
    let folder = workshop();
    let output = hingewise(folder.path())
        .args(["compare", "--json", "before/measurement.json"])
        .arg("after/measurement.json")
        .output()
        .unwrap();
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["standing"], "within");
    assert_eq!(result["pairs"][0]["stations"][0]["stick_pct"], -100.0);
    assert_eq!(
        result["pairs"][0]["stations"][0]["before_deg"]["value"],
        -1.1
    );
}

#[test]
fn a_damaged_measurement_is_refused_and_nothing_is_written() {
    let folder = workshop();
    let damaged = folder.path().join("after/measurement.json");
    let text = std::fs::read_to_string(&damaged).unwrap();
    std::fs::write(&damaged, &text[..text.len() / 2]).unwrap();
    hingewise(folder.path())
        .args(["compare", "before/measurement.json", "--out", "comparison"])
        .arg("after/measurement.json")
        .assert()
        .code(2)
        .stderr(contains("is damaged at line").and(contains("measure the clip again")));
    assert!(!folder.path().join("comparison").exists());
}

#[test]
fn measurements_are_kept_once_and_never_rewritten() {
    let folder = workshop();
    let record = folder.path().join("heron-record");
    hingewise(folder.path())
        .args(["record", "before", "--model", "heron.toml"])
        .assert()
        .success()
        .stdout(contains("001-2026-11-25-heron_tail").and(contains("setup-001.html")));
    let first = contents(&record);
    assert_eq!(
        first[&record.join("001-2026-11-25-heron_tail/report.html")],
        b"the page"
    );

    hingewise(folder.path())
        .args(["record", "before", "--model", "heron.toml", "--force"])
        .assert()
        .success()
        .stdout(contains("is already kept as 001-2026-11-25-heron_tail"));
    assert_eq!(contents(&record), first);

    hingewise(folder.path())
        .args(["record", "before", "after", "--model", "heron.toml"])
        .assert()
        .success()
        .stdout(contains("002-2026-11-26-heron_tail_after").and(contains("setup-002.html")));
    let second = contents(&record);
    for (path, bytes) in &first {
        assert_eq!(&second[path], bytes, "{}", path.display());
    }
    let sheet = std::fs::read_to_string(record.join("setup-002.html")).unwrap();
    assert!(sheet.contains("Against earlier measurements"));
    assert!(sheet.contains("other numbers were entered in between"));
}

#[test]
fn a_record_that_cannot_be_read_is_named_as_such() {
    let folder = workshop();
    std::fs::write(folder.path().join("heron-record"), "a file of that name").unwrap();
    hingewise(folder.path())
        .args(["record", "before", "--model", "heron.toml"])
        .assert()
        .code(2)
        .stderr(contains("cannot read heron-record").and(contains("help:")));
}

#[test]
fn a_measurement_of_another_aircraft_is_refused_before_anything_is_kept() {
    let folder = workshop();
    let model = std::fs::read_to_string(folder.path().join("heron.toml")).unwrap();
    std::fs::write(
        folder.path().join("heron.toml"),
        model.replace("Heron 2.1 m", "Plover 1.6 m"),
    )
    .unwrap();
    hingewise(folder.path())
        .args(["record", "before", "--model", "heron.toml"])
        .assert()
        .code(2)
        .stderr(contains("\"Heron 2.1 m\"").and(contains("\"Plover 1.6 m\"")));
    assert!(!folder.path().join("heron-record").exists());
}

/// The places of the tags of an aircraft whose right half stands so far from its old neutral.
fn neutral(right_shift_deg: f64) -> serde_json::Value {
    let surface = |tag: u32, name: &str, x_mm: f64, shift_deg: f64| {
        let (sin, cos) = shift_deg.to_radians().sin_cos();
        let (half_sin, half_cos) = (shift_deg.to_radians() / 2.0).sin_cos();
        // The tag faces the camera 62 mm behind a hinge line along −x; up is −y.
        serde_json::json!({
            "tag": tag, "edge_mm": 20.0, "surface": name, "return_u_deg": 0.05,
            "position_mm": [x_mm, -62.0 * sin, 860.0 - 62.0 * cos],
            "turn": [half_sin, half_cos, 0.0, 0.0],
            "hinge": {
                "axis": [-1.0, 0.0, 0.0], "point_mm": [x_mm, 0.0, 860.0],
                "across": [[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            },
        })
    };
    let airframe = serde_json::json!({
        "tag": 0, "edge_mm": 30.0, "position_mm": [0.0, 20.0, 800.0], "turn": [0.0, 1.0, 0.0, 0.0],
    });
    // Turns to 0.02°, shifts to 0.01 mm, independent of each other.
    let (turn, shift) = (4e-4, 1e-4);
    let pose = [turn, turn, turn, shift, shift, shift];
    let hinge = [turn, turn, shift, shift];
    let variances = [&pose[..], &pose, &hinge, &pose, &hinge].concat();
    let row = |row: usize| -> Vec<f64> {
        let variance = |column| if row == column { variances[row] } else { 0.0 };
        (0..variances.len()).map(variance).collect()
    };
    serde_json::json!({
        "tags": [
            airframe,
            surface(10, "left tailplane", -200.0, 0.0),
            surface(11, "right tailplane", 200.0, right_shift_deg),
        ],
        "pose_covariance": (0..variances.len()).map(row).collect::<Vec<_>>(),
    })
}

#[test]
fn a_shift_of_neutral_is_told_in_plain_words() {
    let folder = workshop();
    for (name, shift_deg) in [("before", 0.0), ("after", 0.4)] {
        let file = folder.path().join(name).join("measurement.json");
        let text = std::fs::read_to_string(&file).unwrap();
        let mut measurement: serde_json::Value = serde_json::from_str(&text).unwrap();
        measurement["neutral"] = neutral(shift_deg);
        std::fs::write(&file, measurement.to_string()).unwrap();
    }
    hingewise(folder.path())
        .args(["record", "before", "after", "--model", "heron.toml"])
        .assert()
        .success()
        .stdout(
            contains("left tailplane, neutral since 2026-11-25 (entry 1): no significant change")
                .and(contains(
                    "right tailplane, neutral since 2026-11-25 (entry 1): moved 0.40° ± 0.",
                ))
                .and(contains("° up\n"))
                .and(contains("only if no tag was moved or replaced")),
        );
    let sheet = folder.path().join("heron-record/setup-001.html");
    let sheet = std::fs::read_to_string(sheet).unwrap();
    assert!(sheet.contains("neutral moved up: check rod, horn and servo"));
    assert!(sheet.contains("only if no tag was moved or replaced"));
}

#[test]
fn measurements_that_do_not_tell_neutral_leave_it_to_the_eye() {
    let folder = workshop();
    hingewise(folder.path())
        .args(["record", "before", "after", "--model", "heron.toml"])
        .assert()
        .success()
        .stdout(contains("neutral since").not());
    let sheet = folder.path().join("heron-record/setup-001.html");
    assert!(
        std::fs::read_to_string(sheet)
            .unwrap()
            .contains("check by eye")
    );
}

#[test]
fn the_model_file_of_another_aircraft_is_named() {
    let folder = workshop();
    let jet = std::fs::read_to_string(folder.path().join("heron.toml")).unwrap();
    std::fs::write(
        folder.path().join("jet.toml"),
        jet.replace("name = \"Heron 2.1 m\"", "name = \"Jet 1.8 m\""),
    )
    .unwrap();
    let with = |model: &str| {
        let mut command = hingewise(folder.path());
        command.args(["match", "before", "--model", model]);
        command.assert().success()
    };
    let words = "the measurement is of \"Heron 2.1 m\", the model file of \"Jet 1.8 m\"";
    with("jet.toml").stdout(contains(words));
    with("heron.toml").stdout(contains("the measurement is of").not());
}
