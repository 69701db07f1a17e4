//! The demo needs nothing but the program, and shows both ends of a match.
//!
//! Truth: the deflections that the bundled clips were rendered with, which the demo prints beside its own.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::Command;

fn demo(arguments: &[&str], folder: &Path) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    let output = command
        .arg("demo")
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{text}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    text
}

#[test]
fn numbers_match_the_pair_of_the_demo_and_not_that_of_its_second_case() {
    // A folder without the project's files.
    let folder = tempfile::tempdir().unwrap();
    let text = demo(&[], folder.path());
    assert!(text.contains("Enter the numbers below"), "{text}");
    assert!(
        text.contains("inside ± at 11 of 11 stations"),
        "both sides lie within their uncertainty: {text}"
    );
    let out = folder.path().join("hingewise-demo");
    for file in ["report.html", "measurement.json", "clip/elevator.mp4"] {
        assert!(out.join(file).is_file(), "{file}");
    }

    let text = demo(&["--case", "ailerons"], folder.path());
    assert!(text.contains("does not reach"), "{text}");
    let ailerons = folder.path().join("hingewise-demo-ailerons");
    assert!(ailerons.join("clip/cards.mp4").is_file());

    // The written files serve the other commands.
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    let again = command
        .args(["measure", "hingewise-demo-ailerons/clip/cards.mp4"])
        .args(["--model", "hingewise-demo-ailerons/clip/model.toml"])
        .args(["--camera", "hingewise-demo-ailerons/clip/camera.toml"])
        .args(["--out", "again", "--quiet"])
        .env("HINGEWISE_CACHE_DIR", folder.path().join("cache"))
        .current_dir(folder.path())
        .status()
        .unwrap();
    assert!(again.success());
}

#[test]
fn a_demo_replaces_an_earlier_demo_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let diary = folder.path().join("diary");
    std::fs::create_dir(&diary).unwrap();
    std::fs::write(diary.join("report.html"), "my diary").unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    let refused = command
        .args(["demo", "--case", "ailerons", "--out", "diary"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--force"));
    assert_eq!(std::fs::read_dir(&diary).unwrap().count(), 1);
    let kept = std::fs::read_to_string(diary.join("report.html")).unwrap();
    assert_eq!(kept, "my diary");

    let arguments = ["--case", "ailerons", "--out", "twice"];
    demo(&arguments, folder.path());
    demo(&arguments, folder.path());
}
