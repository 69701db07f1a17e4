//! Commands run as the READMEs print them, and links lead to files.

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

/// Pages that print how to make and use a board.
const READMES: [&str; 2] = ["README.md", "calibration/README.md"];

/// All pages for users and contributors.
const PAGES: [&str; 7] = [
    "README.md",
    "DEVELOPERS.md",
    "calibration/README.md",
    "sample-frames/README.md",
    "tests/notes/accuracy.md",
    "tests/notes/performance.md",
    "tests/notes/decisions.md",
];

fn hingewise(arguments: &[String], folder: &Path) {
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder)
        .env("HINGEWISE_CACHE_DIR", folder.join("cache"))
        .args(arguments)
        .assert()
        .success();
}

#[test]
fn the_model_file_and_the_kit_of_the_readme_are_made_as_printed() {
    let folder = tempfile::tempdir().unwrap();
    for beginning in ["new", "print kit"] {
        let printed = commands("README.md", beginning);
        assert!(!printed.is_empty(), "{beginning}");
        for command in printed {
            hingewise(&command, folder.path());
        }
    }
    assert!(folder.path().join("kit.pdf").exists());
}

/// In a folder that holds a copy of the sample, as the checkout does.
#[test]
fn the_sample_clip_is_measured_and_matched_as_printed() {
    let folder = tempfile::tempdir().unwrap();
    let sample = folder.path().join("sample-frames");
    std::fs::create_dir(&sample).unwrap();
    for entry in std::fs::read_dir(root().join("sample-frames")).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, sample.join(path.file_name().unwrap())).unwrap();
    }
    for beginning in ["measure", "match"] {
        let printed = commands("sample-frames/README.md", beginning);
        assert_eq!(printed.len(), 1, "{beginning}");
        hingewise(&printed[0], folder.path());
    }
    assert!(folder.path().join("sample-result/report.html").exists());
}

/// Every option of a printed command is one that its help lists.
#[test]
fn printed_options_exist() {
    for page in PAGES {
        for command in commands(page, "") {
            let words = command.iter().take_while(|word| !word.starts_with('-'));
            let known = ["print", "tags", "cards", "board", "kit"];
            let subcommand: Vec<&String> = words
                .enumerate()
                .filter(|(index, word)| *index == 0 || known.contains(&word.as_str()))
                .map(|(_, word)| word)
                .collect();
            let mut help = Command::new(env!("CARGO_BIN_EXE_hingewise"));
            let help = help.args(subcommand).arg("--help").output().unwrap();
            let help = String::from_utf8(help.stdout).unwrap();
            for option in command.iter().filter(|word| word.starts_with("--")) {
                assert!(help.contains(option.as_str()), "{page}: {command:?}");
            }
        }
    }
}

/// Markdown links to files of the project; addresses on the web and places in a page are passed over.
#[test]
fn links_lead_to_files() {
    for page in PAGES {
        let text = std::fs::read_to_string(root().join(page)).unwrap();
        let folder = root().join(page).parent().unwrap().to_owned();
        for link in text.split("](").skip(1) {
            let target = link.split(')').next().unwrap().split('#').next().unwrap();
            if !target.is_empty() && !target.contains("://") {
                assert!(folder.join(target).exists(), "{page}: {target}");
            }
        }
    }
}

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

/// Help of every command fits a screen and shows an example with options that exist.
#[test]
fn every_help_fits_a_screen_and_has_an_example() {
    let commands = [
        "demo",
        "new",
        "print",
        "print tags",
        "print cards",
        "print board",
        "print kit",
        "calibrate",
        "measure",
        "match",
        "compare",
        "record",
    ];
    for command in commands {
        let mut help = Command::new(env!("CARGO_BIN_EXE_hingewise"));
        let help = help.args(command.split(' ')).arg("--help");
        let help = String::from_utf8(help.output().unwrap().stdout).unwrap();
        assert!(help.lines().count() <= 40, "{command}");
        let example = help.split("Example:\n  hingewise ").nth(1);
        let example = example.unwrap_or_else(|| panic!("{command} has an example"));
        assert!(example.starts_with(command), "{command}");
        let options = example.lines().next().unwrap().split_whitespace();
        for option in options.filter(|word| word.starts_with("--")) {
            assert!(
                command == "print" || help.matches(option).count() > 1,
                "{command}: {option}"
            );
        }
    }
}
