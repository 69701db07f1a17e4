//! The program as a person calls it: bad input is told with what, where and the mend, ends with
//! exit code 2, and leaves what was there as it was.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use assert_cmd::Command;
use hingewise::model_file::{MatchMotion, ModelFile, Side};
use predicates::prelude::*;
use predicates::str::contains;

fn hingewise(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    command.current_dir(folder);
    // No call here comes as far as to keep anything; if one did, it would not be among a person's.
    command.env("HINGEWISE_CACHE_DIR", folder.join("kept"));
    command
}

fn data(name: &str) -> String {
    format!("{}/tests/data/{name}", env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn no_command_and_unknown_options_are_wrong_usage() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path()).assert().code(2);
    hingewise(folder.path())
        .args(["measure", "clip.mp4", "--modle", "m.toml", "--out", "o"])
        .assert()
        .code(2)
        .stderr(contains("--modle").and(contains("--model")));
}

#[test]
fn help_carries_the_caution() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .arg("--help")
        .assert()
        .success()
        .stdout(contains("propeller off").and(contains("servo hums")));
}

#[test]
fn all_faults_of_a_model_file_are_told_with_line_and_column() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .args(["measure", "clip.mp4", "--out", "results"])
        .args(["--model", &data("model_file/faulty.toml")])
        .args(["--field-of-view-deg", "70"])
        .assert()
        .code(2)
        .stdout("")
        .stderr(
            contains("faulty.toml:5:1]")
                .and(contains("unknown key `nmae`"))
                .and(contains("faulty.toml:17:7]"))
                .and(contains("id 10 is used twice"))
                .and(contains("faulty.toml:18:12]"))
                .and(contains("`chord_mm` has to be a number"))
                .and(contains("did you mean `name`?"))
                .and(contains("28 faults, of which these are the first 10")),
        );
    assert!(!folder.path().join("results").exists());
}

#[test]
fn a_model_file_that_is_not_there_is_named() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .args([
            "measure",
            "clip.mp4",
            "--model",
            "heron.toml",
            "--out",
            "results",
        ])
        .assert()
        .code(2)
        .stderr(contains("heron.toml").and(contains("help:")));
}

#[test]
fn new_writes_a_file_that_is_read_and_pairs_left_with_right() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .args([
            "new",
            "heron.toml",
            "left aileron",
            "right aileron",
            "Rudder",
            "Left \"inner\" flap",
        ])
        .assert()
        .success()
        .stdout(contains("Wrote heron.toml"));
    let model = ModelFile::read(&folder.path().join("heron.toml")).unwrap();
    assert_eq!(model.name, "heron");
    let surfaces: Vec<_> = model
        .surfaces
        .iter()
        .map(|surface| {
            (
                surface.name.as_str(),
                surface.side,
                surface.tag_id,
                surface.upright,
            )
        })
        .collect();
    assert_eq!(
        surfaces,
        [
            ("left aileron", Side::Left, 10, false),
            ("right aileron", Side::Right, 11, false),
            ("Rudder", Side::Centre, 12, true),
            ("Left \"inner\" flap", Side::Left, 13, false),
        ]
    );
    assert_eq!(model.matches.len(), 1);
    assert_eq!(model.matches[0].reference, "left aileron");
    assert_eq!(model.matches[0].motion, MatchMotion::Opposite);
}

#[test]
fn every_commented_line_of_a_new_file_can_be_used() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .args(["new", "heron.toml", "left flap", "right flap", "--quiet"])
        .assert()
        .success()
        .stdout("");
    let path = folder.path().join("heron.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let used: String = text
        .lines()
        .map(|line| match line.strip_prefix("# ") {
            Some(rest) if rest.contains('=') || rest.starts_with('[') => format!("{rest}\n"),
            _ => format!("{line}\n"),
        })
        .collect();
    assert_ne!(used, text);
    // Cards stand in place of the declared order.
    assert!(used.contains("\nfrom = \"cards\""));
    let used = used.replace("from = \"order\"", "");
    std::fs::write(&path, used).unwrap();
    let model = ModelFile::read(&path).unwrap();
    assert!(model.surfaces[0].hinge_to_tag_mm.is_some());
    assert_eq!(model.radio.unwrap().active.len(), 1);
}

#[test]
fn new_overwrites_nothing_without_force() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("heron.toml");
    std::fs::write(&path, "mine").unwrap();
    hingewise(folder.path())
        .args(["new", "heron.toml", "left flap"])
        .assert()
        .code(2)
        .stderr(contains("heron.toml already exists").and(contains("--force")));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "mine");
    hingewise(folder.path())
        .args(["new", "heron.toml", "left flap", "--force", "--json"])
        .assert()
        .success()
        .stdout(contains("\"tag\": 10"));
    assert!(ModelFile::read(&path).is_ok());
}

#[test]
fn an_output_never_replaces_an_input_of_its_command() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("heron.toml");
    hingewise(folder.path())
        .args(["new", "heron.toml", "left flap", "right flap"])
        .assert()
        .success();
    let written = std::fs::read(&path).unwrap();
    hingewise(folder.path())
        .args(["print", "kit", "--model", "heron.toml"])
        .args(["--out", "./heron.toml", "--force"])
        .assert()
        .code(2)
        .stderr(contains("is an input of this command").and(contains("another name")));
    assert_eq!(std::fs::read(&path).unwrap(), written);

    let clip = folder.path().join("board.mp4");
    std::fs::write(&clip, "a clip").unwrap();
    for output in [["--out", "board.mp4"], ["--report", "board.mp4"]] {
        let mut command = hingewise(folder.path());
        command.args([
            "calibrate",
            "board.mp4",
            "--chessboard",
            "9x6",
            "--square-mm",
            "20",
        ]);
        if output[0] == "--report" {
            command.args(["--out", "phone.toml"]);
        }
        command
            .args(output)
            .arg("--force")
            .assert()
            .code(2)
            .stderr(contains("is an input of this command"));
        assert_eq!(std::fs::read_to_string(&clip).unwrap(), "a clip");
    }
}

#[test]
fn new_refuses_names_that_cannot_be_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .args(["new", "heron.toml", "flap", "flap"])
        .assert()
        .code(2)
        .stderr(contains("\"flap\" is listed twice").and(contains("help:")));
    assert!(!folder.path().join("heron.toml").exists());
}

/// Two frames of a folder; nothing is on them.
fn write_frames(folder: &Path, width_px: u32, height_px: u32) {
    std::fs::create_dir(folder).unwrap();
    for index in 0..2 {
        image::GrayImage::new(width_px, height_px)
            .save(folder.join(format!("{index}.png")))
            .unwrap();
    }
}

#[test]
fn a_camera_profile_of_another_shape_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    write_frames(&folder.path().join("wide"), 64, 36);
    write_frames(&folder.path().join("upright"), 36, 64);
    let profile = "format = 1\nname = \"phone\"\nwidth_px = 640\nheight_px = 480\n\
                   matrix = { fx = 500, fy = 500, cx = 319.5, cy = 239.5 }\n\
                   distortion = { k1 = 0, k2 = 0, p1 = 0, p2 = 0, k3 = 0 }\n";
    std::fs::write(folder.path().join("phone.toml"), profile).unwrap();
    let measure = |clip: &str| {
        let mut command = hingewise(folder.path());
        command
            .args(["measure", clip, "--fps", "30", "--out", "results"])
            .args(["--model", &data("model_file/good.toml")])
            .args(["--camera", "phone.toml"]);
        command
    };
    measure("wide").assert().code(2).stderr(
        contains("640 × 480")
            .and(contains("64 × 36"))
            .and(contains("calibrate the mode of this clip")),
    );
    let profile = profile.replace("480", "360");
    std::fs::write(folder.path().join("phone.toml"), profile).unwrap();
    measure("upright")
        .assert()
        .code(2)
        .stderr(contains("held turned").and(contains("help:")));
    assert!(!folder.path().join("results").exists());
}

#[test]
fn without_a_camera_both_ways_to_tell_it_are_named() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(folder.path())
        .args(["measure", "clip.mp4", "--out", "results"])
        .args(["--model", &data("model_file/good.toml")])
        .assert()
        .code(2)
        .stderr(contains("--camera").and(contains("--field-of-view-deg")));
}

#[test]
fn clips_without_anything_to_measure_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("empty")).unwrap();
    write_frames(&folder.path().join("dark"), 640, 360);
    let measure = |clip: &str| {
        let mut command = hingewise(folder.path());
        command
            .args(["measure", clip, "--fps", "30", "--out", "results"])
            .args(["--model", &data("model_file/good.toml")])
            .args(["--field-of-view-deg", "70"]);
        command.assert().code(2).stdout("")
    };
    measure("no-such.mp4").stderr(contains("no-such.mp4").and(contains("help:")));
    measure("empty").stderr(contains("empty").and(contains("help:")));
    assert!(!folder.path().join("results").exists());
    measure("dark").stderr(contains("none of the declared tags").and(contains("help:")));
    // What was searched is shown; there is no result beside it.
    let written = std::fs::read_dir(folder.path().join("results")).unwrap();
    let names: Vec<_> = written.map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, ["not-measured.html"]);
}

#[test]
fn a_kept_measurement_that_is_none_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("measurement.json"), "{}").unwrap();
    hingewise(folder.path())
        .args(["match", "measurement.json", "--out", "results"])
        .assert()
        .code(2)
        .stderr(contains("measurement.json").and(contains("help:")));
    assert!(!folder.path().join("results").exists());
}

mod outputs {
    use super::*;

    /// A call that is in order but for its output.
    fn measure_into(folder: &Path, out: &str) -> Command {
        let mut command = hingewise(folder);
        command
            .args(["measure", "clip.mp4", "--out", out])
            .args(["--model", &data("model_file/good.toml")])
            .args(["--field-of-view-deg", "70"]);
        command
    }

    #[test]
    fn a_folder_that_holds_something_is_refused_without_force() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("results")).unwrap();
        let kept = folder.path().join("results/report.html");
        std::fs::write(&kept, "mine").unwrap();
        measure_into(folder.path(), "results")
            .assert()
            .code(2)
            .stderr(contains("results already exists").and(contains("--force")));
        assert_eq!(std::fs::read_to_string(&kept).unwrap(), "mine");
    }

    #[test]
    fn a_place_that_cannot_be_written_is_refused_at_once() {
        // Below a file no folder can be made, whoever asks.
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("notes.txt");
        std::fs::write(&file, "mine").unwrap();
        measure_into(folder.path(), "notes.txt/results")
            .assert()
            .code(2)
            .stderr(contains("cannot write notes.txt/results").and(contains("help:")));
        measure_into(folder.path(), "notes.txt")
            .assert()
            .code(2)
            .stderr(contains("notes.txt is a file, not a folder"));
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
    }
}

#[test]
fn a_reader_that_stops_reading_is_no_error() {
    let folder = tempfile::tempdir().unwrap();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder.path())
        .args(["new", "model.toml", "left tailplane", "right tailplane"])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{output:?}");
    assert!(folder.path().join("model.toml").exists());
}
