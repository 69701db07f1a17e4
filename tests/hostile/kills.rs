//! The program is ended at each of its steps: at every rename, and before and within everything it writes.
//! Then what was there is whole, or what was to come is; and the next run leaves nothing behind.

use std::fs::File;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, SystemTime};

use tempfile::TempDir;

use super::files::{files_in, match_into, workshop};
use super::{hingewise, measure, names_in, project, said};

/// A library that goes between the program and the system: ends the program before the call of this number
/// that changes files or says something, or in the middle of what it writes; or lets the disk be full for
/// files below a folder.
const BETWEEN: &str = r#"
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
static int is_last(const char *path) {
    static int count = 0;
    const char *at = getenv("END_AT"), *below = getenv("END_BELOW");
    if (!at || (below && !strstr(path, below))) return 0;
    return __sync_add_and_fetch(&count, 1) == atoi(at);
}
static void step(const char *path) { if (is_last(path)) kill(getpid(), SIGKILL); }
static const char *path_of(int fd, char path[4096]) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, 4095);
    path[n < 0 ? 0 : n] = 0;
    return path;
}
static int full(const char *path) {
    const char *below = getenv("FULL_BELOW");
    return below && strstr(path, below) != NULL;
}
#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
ssize_t write(int fd, const void *b, size_t n) {
    char buffer[4096];
    if (fd == 2) return REAL(write)(fd, b, n);
    const char *path = path_of(fd, buffer);
    step(path);
    if (is_last(path)) { REAL(write)(fd, b, n / 2); kill(getpid(), SIGKILL); }
    if (fd > 2 && full(path)) { errno = ENOSPC; return -1; }
    return REAL(write)(fd, b, n);
}
int ftruncate64(int fd, off64_t n) {
    char buffer[4096];
    step(path_of(fd, buffer));
    return REAL(ftruncate64)(fd, n);
}
int rename(const char *a, const char *b) { step(a); return REAL(rename)(a, b); }
int linkat(int c, const char *a, int d, const char *b, int f) { step(b); return REAL(linkat)(c, a, d, b, f); }
int mkdir(const char *a, mode_t m) { step(a); return REAL(mkdir)(a, m); }
int chmod(const char *a, mode_t m) { step(a); return REAL(chmod)(a, m); }
int unlink(const char *a) { step(a); return REAL(unlink)(a); }
int unlinkat(int d, const char *a, int f) { step(a); return REAL(unlinkat)(d, a, f); }
int rmdir(const char *a) { step(a); return REAL(rmdir)(a); }
"#;

/// Builds that library in a folder of its own; `None` where there is no C compiler or another system.
pub fn between() -> Option<(TempDir, PathBuf)> {
    let folder = tempfile::tempdir().unwrap();
    let [source, library] = ["between.c", "between.so"].map(|name| folder.path().join(name));
    std::fs::write(&source, BETWEEN).unwrap();
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-w", "-o"])
        .args([&library, &source])
        .arg("-ldl")
        .status();
    let is_built = cfg!(target_os = "linux") && built.is_ok_and(|status| status.success());
    if !is_built {
        println!("no C compiler is at hand");
    }
    is_built.then_some((folder, library))
}

/// Ends a command at one step after another until it comes to its end. What it left is looked at, and again
/// after the same command has then run undisturbed.
fn at_each_step(
    library: &Path,
    prepare: impl Fn() -> TempDir,
    command: impl Fn(&Path) -> Command,
    mut left: impl FnMut(&Path, usize),
    after: impl Fn(&Path, usize),
) -> usize {
    for step in 1.. {
        assert!(step < 500);
        let folder = prepare();
        let mut killed = command(folder.path());
        killed
            .env("LD_PRELOAD", library)
            .env("END_AT", step.to_string());
        if killed.output().unwrap().status.code().is_some() {
            return step - 1;
        }
        left(folder.path(), step);
        age(folder.path());
        let output = command(folder.path()).output().unwrap();
        assert!(
            output.status.code() < Some(2),
            "step {step}: {}",
            said(&output)
        );
        after(folder.path(), step);
    }
    unreachable!()
}

/// What has no lock, or is a file, counts as dead after a minute.
fn age(folder: &Path) {
    for name in names_in(folder) {
        let path = folder.join(&name);
        if path.is_dir() {
            age(&path);
        }
        if name.to_string_lossy().starts_with(".hingewise-") {
            let then = SystemTime::now() - Duration::from_secs(61);
            File::open(path).unwrap().set_modified(then).unwrap();
        }
    }
}

#[test]
fn a_program_killed_at_any_step_leaves_a_folder_all_old_or_all_new() {
    let Some((_tools, library)) = between() else {
        return;
    };
    let new = workshop();
    assert!(match_into(new.path(), "out").status().unwrap().code() < Some(2));
    let new = files_below(&new.path().join("out"));
    let old: Vec<(PathBuf, _)> = vec![
        ("report.html".into(), b"old".to_vec()),
        ("stations.csv".into(), b"old".to_vec()),
    ];
    let mine = ("notes.txt".into(), b"mine".to_vec());
    let prepare = || {
        let folder = workshop();
        let out = folder.path().join("out");
        std::fs::create_dir(&out).unwrap();
        for (name, bytes) in old.iter().chain([&mine]) {
            std::fs::write(out.join(name), bytes).unwrap();
        }
        folder
    };
    let command = |folder: &Path| {
        let mut command = match_into(folder, "out");
        command.arg("--force");
        command
    };
    let (mut old_ones, mut new_ones) = (0, 0);
    let left = |folder: &Path, step: usize| {
        let mut found = files_below(&folder.join("out"));
        let notes = found.iter().position(|file| *file == mine);
        found.remove(notes.unwrap());
        assert!(
            found == old || found == new,
            "step {step}: {:?}",
            names_in(&folder.join("out"))
        );
        old_ones += usize::from(found == old);
        new_ones += usize::from(found == new);
    };
    let after = |folder: &Path, step: usize| {
        let names = names_in(folder);
        assert_eq!(names, ["measurement.json", "out"], "step {step}");
    };
    let kills = at_each_step(&library, prepare, command, left, after);
    println!("{kills} kills: {old_ones} old, {new_ones} new");
    assert!(
        old_ones > 5 && new_ones > 3,
        "{old_ones} old, {new_ones} new"
    );
}

/// Commands that replace single files, and these files.
const SINGLE_FILES: [(&[&str], &[&str]); 4] = [
    (&["new", "new.toml", "left", "right"], &["new.toml"]),
    (
        &["print", "kit", "--model", "model.toml", "--out", "kit.pdf"],
        &["kit.pdf"],
    ),
    (
        &[
            "print",
            "board",
            "--chessboard",
            "9x6",
            "--square-mm",
            "20",
            "--out",
            "board.pdf",
        ],
        &["board.pdf"],
    ),
    (
        &[
            "calibrate",
            "stills",
            "--chessboard",
            "9x6",
            "--square-mm",
            "25",
            "--out",
            "lens.toml",
            "--report",
            "lens.html",
        ],
        &["lens.toml", "lens.html"],
    ),
];

#[test]
fn a_program_killed_at_any_step_leaves_a_file_old_or_new() {
    let Some((_tools, library)) = between() else {
        return;
    };
    let room = || {
        let folder = tempfile::tempdir().unwrap();
        let model = project("sample-frames/model.toml");
        std::fs::copy(model, folder.path().join("model.toml")).unwrap();
        let stills = project("tests/data/calibration/chessboard_left");
        symlink(stills, folder.path().join("stills")).unwrap();
        folder
    };
    for (arguments, files) in SINGLE_FILES {
        let command = |folder: &Path| {
            let mut command = hingewise(folder);
            command.args(arguments).arg("--force");
            command
        };
        let undisturbed = room();
        let output = command(undisturbed.path()).output().unwrap();
        assert!(output.status.success(), "{}", said(&output));
        let new: Vec<_> = (files.iter())
            .map(|file| std::fs::read(undisturbed.path().join(file)).unwrap())
            .collect();
        for old in [None, Some(b"old")] {
            let prepare = || {
                let folder = room();
                for file in old.iter().flat_map(|_| files) {
                    std::fs::write(folder.path().join(file), "old").unwrap();
                }
                folder
            };
            let (mut old_ones, mut new_ones) = (0, 0);
            let left = |folder: &Path, step: usize| {
                for (file, new) in files.iter().zip(&new) {
                    let found = std::fs::read(folder.join(file)).ok();
                    let is_old = found.as_deref() == old.map(|bytes| &bytes[..]);
                    assert!(is_old || found.as_ref() == Some(new), "{file}, step {step}");
                    old_ones += usize::from(is_old);
                    new_ones += usize::from(!is_old);
                }
            };
            let after = |folder: &Path, step: usize| {
                assert_eq!(
                    names_in(folder),
                    names_in(undisturbed.path()),
                    "step {step}"
                );
                for (file, new) in files.iter().zip(&new) {
                    assert!(std::fs::read(folder.join(file)).unwrap() == *new);
                }
            };
            let kills = at_each_step(&library, prepare, command, left, after);
            println!("{files:?}: {kills} kills: {old_ones} old, {new_ones} new");
            assert!(
                old_ones > 1 && new_ones > 1,
                "{old_ones} old, {new_ones} new"
            );
        }
    }
}

#[test]
fn a_record_loses_nothing_to_a_program_killed_at_any_step() {
    let Some((_tools, library)) = between() else {
        return;
    };
    let command = |folder: &Path, from: &str| {
        let mut command = hingewise(folder);
        command.args(["record", from, "--model", "model.toml"]);
        command
    };
    let prepare = || {
        let folder = tempfile::tempdir().unwrap();
        for name in ["before", "after"] {
            let measurement = project(&format!("tests/data/measurement/{name}.json"));
            let out = folder.path().join(name);
            std::fs::create_dir(&out).unwrap();
            std::fs::copy(measurement, out.join("measurement.json")).unwrap();
            std::fs::write(out.join("report.html"), name).unwrap();
        }
        write_model(folder.path());
        let output = command(folder.path(), "before").output().unwrap();
        assert!(output.status.success(), "{}", said(&output));
        folder
    };
    let record = |folder: &Path| files_below(&folder.join("model-record"));
    let undisturbed = prepare();
    let old = record(undisturbed.path());
    let output = command(undisturbed.path(), "after").output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let new = record(undisturbed.path());
    assert!(old.iter().all(|file| new.contains(file)));
    let is_in_the_making =
        |(path, _): &(PathBuf, Vec<u8>)| path.to_string_lossy().starts_with(".hingewise-");

    let (mut old_ones, mut entries, mut new_ones) = (0, 0, 0);
    let left = |folder: &Path, step: usize| {
        let mut found = record(folder);
        found.retain(|file| !is_in_the_making(file));
        assert!(old.iter().all(|file| found.contains(file)), "step {step}");
        assert!(found.iter().all(|file| new.contains(file)), "step {step}");
        // An entry comes as a whole, before its sheet.
        match new.len() - found.len() {
            0 => new_ones += 1,
            1 => {
                let second = |(path, _): &&(PathBuf, Vec<u8>)| path.starts_with("setup-002.html");
                assert_eq!(found.iter().find(second), None, "step {step}");
                entries += 1;
            }
            _ => {
                assert_eq!(found.len(), old.len(), "step {step}");
                old_ones += 1;
            }
        }
    };
    let after = |folder: &Path, step: usize| assert!(record(folder) == new, "step {step}");
    let kills = at_each_step(
        &library,
        prepare,
        |folder| command(folder, "after"),
        left,
        after,
    );
    println!("{kills} kills: {old_ones} old, {entries} without the sheet, {new_ones} new");
    assert!(old_ones > 3 && entries > 3 && new_ones > 1);
}

/// A model file that goes with the kept measurements.
fn write_model(folder: &Path) {
    let kept = std::fs::read(project("tests/data/measurement/before.json")).unwrap();
    let kept: serde_json::Value = serde_json::from_slice(&kept).unwrap();
    let surfaces = kept["surfaces"].as_array().unwrap().iter();
    let new = hingewise(folder)
        .args([
            "new",
            "model.toml",
            "--name",
            kept["model"].as_str().unwrap(),
        ])
        .args(surfaces.map(|surface| surface["name"].as_str().unwrap()))
        .output()
        .unwrap();
    assert!(new.status.success(), "{}", said(&new));
}

/// Files below a folder, by their paths in it, with their bytes.
fn files_below(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let inside = |path: PathBuf| path.strip_prefix(folder).unwrap().to_owned();
    let files = files_in(folder).into_iter();
    files.map(|(path, bytes)| (inside(path), bytes)).collect()
}

/// So many bytes of the sample clip hold 83 of its 353 frames (`ffprobe -show_frames`).
const SHORT_CLIP_BYTES: usize = 600_000;

#[test]
fn kept_sightings_serve_after_a_kill_at_any_step() {
    let Some((_tools, library)) = between() else {
        return;
    };
    let prepare = || {
        let folder = tempfile::tempdir().unwrap();
        let clip = std::fs::read(project("sample-frames/cards.mp4")).unwrap();
        std::fs::write(folder.path().join("clip.mp4"), &clip[..SHORT_CLIP_BYTES]).unwrap();
        folder
    };
    let command = |folder: &Path| {
        let mut command = measure(folder, Path::new("clip.mp4"), "out");
        command.arg("--force").env("END_BELOW", "/kept/");
        command
    };
    let undisturbed = prepare();
    let output = command(undisturbed.path()).output().unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let result = files_below(&undisturbed.path().join("out"));
    let kept = names_in(&undisturbed.path().join("kept"));
    let after = |folder: &Path, step: usize| {
        assert!(
            files_below(&folder.join("out")) == result,
            "step {step}: another result"
        );
        assert_eq!(
            names_in(&folder.join("kept")).len(),
            kept.len(),
            "step {step}"
        );
        let names = names_in(folder);
        assert_eq!(names, ["clip.mp4", "kept", "out"], "step {step}");
    };
    let kills = at_each_step(&library, prepare, command, |_, _| (), after);
    println!("{kills} kills");
    assert!(kills > 4, "{kills}");
}
