//! Signals in the middle of the work, runs that died, and two runs at once.

use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::Signal;

use super::{hingewise, measure, names_in, project, refused, said};
use crate::support::signals::{ending, send};

/// Longest wait for a program that is at work.
const PATIENCE: Duration = Duration::from_secs(60);

fn sample() -> std::path::PathBuf {
    project("sample-frames/cards.mp4")
}

fn is_in_the_making(folder: &Path) -> bool {
    names_in(folder)
        .iter()
        .any(|name| name.to_string_lossy().starts_with(".hingewise-"))
}

/// A run that has begun to search its clip.
fn begun(mut command: Command, folder: &Path) -> Child {
    let child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let start = Instant::now();
    while !(is_in_the_making(folder) && folder.join("kept").is_dir()) {
        assert!(start.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(5));
    }
    child
}

#[test]
fn signals_end_the_program_and_leave_nothing_behind() {
    for (signal, number) in ending() {
        let folder = tempfile::tempdir().unwrap();
        let mut command = measure(folder.path(), &sample(), "new/out");
        command.args(["--trace", "trace"]);
        let mut child = begun(command, folder.path());
        send(&child, signal);
        let status = child.wait().unwrap();
        assert_eq!(status.signal(), Some(number), "{signal:?}: {status:?}");
        let left = names_in(folder.path());
        assert!(
            left == ["kept", "new"] || left == ["kept"],
            "{signal:?}: {left:?}"
        );
        if left.contains(&"new".into()) {
            assert!(names_in(&folder.path().join("new")).is_empty());
        }
    }
}

#[test]
fn an_ignored_signal_stays_ignored() {
    let folder = tempfile::tempdir().unwrap();
    let plain = measure(folder.path(), &sample(), "out");
    let mut command = Command::new("sh");
    command.current_dir(folder.path());
    command.env("HINGEWISE_CACHE_DIR", folder.path().join("kept"));
    command
        .args(["-c", "trap '' HUP; exec \"$@\"", "sh"])
        .arg(plain.get_program())
        .args(plain.get_args());
    let mut child = begun(command, folder.path());
    send(&child, Signal::HUP);
    assert!(child.wait().unwrap().success());
    assert!(folder.path().join("out/report.html").is_file());
}

#[test]
fn two_runs_into_one_new_folder_do_not_meet() {
    let folder = tempfile::tempdir().unwrap();
    let mut first = begun(measure(folder.path(), &sample(), "out"), folder.path());
    refused(
        &mut measure(folder.path(), &sample(), "out"),
        &["another run of hingewise", "out"],
    );
    assert!(first.wait().unwrap().success());
    assert_eq!(names_in(folder.path()), ["kept", "out"]);
}

#[test]
fn the_next_run_removes_what_a_killed_one_left() {
    let folder = tempfile::tempdir().unwrap();
    let mut child = begun(measure(folder.path(), &sample(), "out"), folder.path());
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(is_in_the_making(folder.path()));
    let kept = project("tests/data/measurement/before.json");
    for out in ["out", "other"] {
        let mut command = hingewise(folder.path());
        let output = command
            .arg("match")
            .arg(&kept)
            .args(["--out", out])
            .output()
            .unwrap();
        assert!(output.status.code() < Some(2), "{}", said(&output));
        assert!(!is_in_the_making(folder.path()));
    }
}
