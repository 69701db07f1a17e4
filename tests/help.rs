//! Help of each command fits a screen and has an example that is understood; packages get their files.
#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::process::{Command, Output};

/// Lines of a terminal that people leave as it is, with room to spare.
const MOST_LINES: usize = 40;
/// Letters in a line of such a terminal.
const COLUMNS: usize = 80;

fn hingewise(arguments: &[&str], folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

fn help(command: &str) -> String {
    let arguments: Vec<&str> = command.split_whitespace().chain(["--help"]).collect();
    let output = hingewise(&arguments, Path::new("."));
    assert!(output.status.success(), "{command}");
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn each_help_fits_a_screen() {
    for command in [
        "",
        "demo",
        "new",
        "print",
        "calibrate",
        "measure",
        "match",
        "compare",
        "record",
        "bench",
        "print tags",
        "print cards",
        "print board",
        "print kit",
    ] {
        let help = help(command);
        let rows = help
            .lines()
            .map(|line| line.chars().count().div_ceil(COLUMNS).max(1));
        let rows: usize = rows.sum();
        assert!(rows <= MOST_LINES, "{command}: {rows}");
        let has_example = help.lines().any(|line| line.starts_with("  hingewise "));
        assert!(command.is_empty() || has_example, "{command}: {help}");
    }
}

#[test]
fn examples_are_understood() {
    let folder = tempfile::tempdir().unwrap();
    for command in ["new", "print tags", "print board", "print kit"] {
        let help = help(command);
        let example = help
            .lines()
            .find(|line| line.starts_with("  hingewise "))
            .unwrap();
        let words: Vec<String> = example
            .trim()
            .split('"')
            .enumerate()
            .flat_map(|(index, part)| match index % 2 {
                0 => part.split_whitespace().map(str::to_owned).collect(),
                _ => vec![part.to_owned()],
            })
            .skip(1)
            .collect();
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let output = hingewise(&words, folder.path());
        assert!(
            output.status.success(),
            "{example}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
}

#[test]
fn the_version_names_the_libraries_as_found() {
    let output = hingewise(&["--version"], Path::new("."));
    let text = String::from_utf8(output.stdout).unwrap();
    let parts = [
        "hingewise ",
        env!("CARGO_PKG_VERSION"),
        "OpenCV ",
        "FFmpeg ",
    ];
    assert!(parts.iter().all(|part| text.contains(part)), "{text}");
}

#[test]
fn packages_get_manual_pages_and_completions() {
    let folder = tempfile::tempdir().unwrap();
    let output = hingewise(&["system-files", "--out", "files"], folder.path());
    assert!(output.status.success(), "{output:?}");
    let read =
        |name: &str| std::fs::read_to_string(folder.path().join("files").join(name)).unwrap();
    for page in ["hingewise.1", "hingewise-measure.1", "hingewise-print.1"] {
        // man(7): a page begins with its title.
        assert!(
            read(page)
                .lines()
                .any(|line| line.starts_with(".TH hingewise")),
            "{page}"
        );
    }
    assert!(
        !folder
            .path()
            .join("files/hingewise-system-files.1")
            .exists()
    );
    assert!(read("hingewise.bash").contains("complete -F"));
    assert!(read("_hingewise").starts_with("#compdef hingewise"));
    assert!(read("hingewise.fish").contains("complete -c hingewise"));
}
