//! Commands about the board run as the READMEs print them.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use hingewise::camera::CameraProfile;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

/// Commands of an indented block that begin so, with continued lines joined.
fn commands(file: &str, beginning: &str) -> Vec<Vec<String>> {
    let text = std::fs::read_to_string(root().join(file)).unwrap();
    let joined = text.replace("\\\n", " ");
    let lines = joined.lines().filter(|line| line.starts_with("    "));
    let commands = lines
        .map(str::trim)
        .filter_map(|line| line.strip_prefix("hingewise "));
    commands
        .filter(|command| command.starts_with(beginning))
        .map(words)
        .collect()
}

/// Words of a command; those between quotes are one.
fn words(command: &str) -> Vec<String> {
    let parts = command.split('"').enumerate();
    parts
        .flat_map(|(index, part)| match index % 2 {
            0 => part.split_whitespace().map(str::to_owned).collect(),
            _ => vec![part.to_owned()],
        })
        .collect()
}

const READMES: [&str; 2] = ["README.md", "calibration/README.md"];

#[test]
fn printing_the_board_works_as_printed_on_both_papers() {
    for readme in READMES {
        let printing = commands(readme, "print board");
        assert_eq!(printing.len(), 1, "{readme}");
        for paper in [None, Some("letter")] {
            let folder = tempfile::tempdir().unwrap();
            let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
            command.current_dir(folder.path()).args(&printing[0]);
            command.args(paper.map(|name| format!("--paper={name}")));
            command.assert().success();
            assert!(folder.path().join("board.pdf").exists(), "{readme}");
        }
    }
}

/// The clip of a board with the same squares, under the name that the command has for it.
#[test]
fn calibrating_works_as_printed() {
    for readme in READMES {
        let calibrating = commands(readme, "calibrate");
        assert_eq!(calibrating.len(), 1, "{readme}");
        let folder = tempfile::tempdir().unwrap();
        let clip = root().join("tests/data/calibration/phone_charuco.mp4");
        std::fs::copy(clip, folder.path().join(&calibrating[0][1])).unwrap();
        Command::new(env!("CARGO_BIN_EXE_hingewise"))
            .current_dir(folder.path())
            .args(&calibrating[0])
            .assert()
            .success();
        let out = calibrating[0].iter().position(|word| word == "--out");
        let profile = folder.path().join(&calibrating[0][out.unwrap() + 1]);
        // The camera that the pictures were rendered with: fx 756.3.
        let profile = CameraProfile::read(&profile).unwrap();
        assert!((profile.camera.fx / 756.3 - 1.0).abs() < 0.0015);
    }
}

/// What is printed on the sheet and in the README describes the same board.
#[test]
fn the_board_printed_is_the_board_calibrated_with() {
    for readme in READMES {
        let board = |command: &[String]| -> Vec<String> {
            let options = [
                "--charuco",
                "--chessboard",
                "--square-mm",
                "--marker-mm",
                "--dictionary",
            ];
            let pairs = command.windows(2);
            pairs
                .filter(|pair| options.contains(&pair[0].as_str()))
                .flat_map(|pair| pair.to_vec())
                .collect()
        };
        let printed = board(&commands(readme, "print board")[0]);
        assert!(printed.len() >= 4);
        assert_eq!(
            printed,
            board(&commands(readme, "calibrate")[0]),
            "{readme}"
        );
    }
}
