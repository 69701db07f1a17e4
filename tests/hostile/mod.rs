//! Broken, forged and careless input, and machines that end in the middle: nothing passes in silence, and
//! nothing is left behind.
#![allow(clippy::unwrap_used)]

mod damaged_clips;
#[cfg(unix)]
mod files;
#[cfg(unix)]
mod kills;
mod limits;
mod readers;
mod shown;
#[cfg(unix)]
mod signals;

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A file of the project.
fn project(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The program, in a folder of its own.
fn hingewise(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    command.current_dir(folder);
    command.env("HINGEWISE_CACHE_DIR", folder.join("kept"));
    command
}

/// `measure` with the bundled model file and profile.
fn measure(folder: &Path, clip: &Path, out: &str) -> Command {
    let mut command = hingewise(folder);
    command.arg("measure").arg(clip).args(["--out", out]);
    command
        .arg("--model")
        .arg(project("sample-frames/model.toml"));
    command
        .arg("--camera")
        .arg(project("sample-frames/camera.toml"));
    command
}

/// What a command said on standard error, on one line.
fn said(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stderr).replace('│', " ");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Refused with these words and exit code 2.
#[track_caller]
fn refused(command: &mut Command, words: &[&str]) -> String {
    let output = command.output().unwrap();
    let said = said(&output);
    assert_eq!(output.status.code(), Some(2), "{said}");
    for word in words {
        assert!(said.contains(word), "{word:?} is not in: {said}");
    }
    said
}

/// Names in a folder, sorted.
fn names_in(folder: &Path) -> Vec<OsString> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    names
}
