//! Output folders and files, kept sightings and records beside careless neighbours, full disks and links.

use std::fs::File;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::kills::between;
use super::{hingewise, measure, names_in, project, refused, said};

/// A folder with a kept measurement.
pub fn workshop() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let kept = project("tests/data/measurement/before.json");
    std::fs::copy(kept, folder.path().join("measurement.json")).unwrap();
    folder
}

pub fn match_into(folder: &Path, out: &str) -> Command {
    let mut command = hingewise(folder);
    command.args(["match", "measurement.json", "--out", out]);
    command
}

/// Every file below a folder with its bytes.
pub fn files_in(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = vec![];
    for name in names_in(folder) {
        let path = folder.join(&name);
        match path.is_dir() {
            true => files.extend(files_in(&path)),
            false => files.push((path.clone(), std::fs::read(path).unwrap())),
        }
    }
    files
}

#[test]
fn force_keeps_what_else_lies_in_the_folder() {
    let folder = workshop();
    let out = folder.path().join("out");
    std::fs::create_dir_all(out.join("notes/of mine")).unwrap();
    std::fs::write(out.join("notes/of mine/a.txt"), "a").unwrap();
    std::fs::write(out.join("report.html"), "old").unwrap();
    symlink("report.html", out.join("latest")).unwrap();
    let output = match_into(folder.path(), "out")
        .arg("--force")
        .output()
        .unwrap();
    assert!(output.status.code() < Some(2), "{}", said(&output));
    assert_eq!(
        std::fs::read_to_string(out.join("notes/of mine/a.txt")).unwrap(),
        "a"
    );
    assert_eq!(
        std::fs::read_link(out.join("latest")).unwrap(),
        Path::new("report.html")
    );
    assert!(
        std::fs::read_to_string(out.join("report.html"))
            .unwrap()
            .len()
            > 1000
    );
    assert_eq!(names_in(folder.path()), ["measurement.json", "out"]);
}

#[test]
fn a_link_to_a_folder_stays_a_link() {
    let folder = workshop();
    std::fs::create_dir(folder.path().join("elsewhere")).unwrap();
    symlink("elsewhere", folder.path().join("out")).unwrap();
    let output = match_into(folder.path(), "out").output().unwrap();
    assert!(output.status.code() < Some(2), "{}", said(&output));
    assert!(
        folder
            .path()
            .join("out")
            .symlink_metadata()
            .unwrap()
            .is_symlink()
    );
    assert!(folder.path().join("elsewhere/report.html").is_file());
}

#[test]
fn a_folder_that_stands_where_a_file_belongs_is_never_deleted() {
    let folder = workshop();
    let mine = folder.path().join("out/report.html");
    std::fs::create_dir_all(&mine).unwrap();
    std::fs::write(mine.join("a.txt"), "mine").unwrap();
    let mut command = match_into(folder.path(), "out");
    refused(command.arg("--force"), &["out/report.html is a folder"]);
    assert_eq!(std::fs::read_to_string(mine.join("a.txt")).unwrap(), "mine");
    assert_eq!(names_in(&folder.path().join("out")), ["report.html"]);
}

#[test]
fn what_the_bench_keeps_beside_or_in_an_output_folder_stays() {
    // Its folder is hidden and has a lock as those in the making do; no bench runs.
    let folder = workshop();
    let kept = folder.path().join(".hingewise-bench");
    std::fs::create_dir_all(kept.join("ticks")).unwrap();
    std::fs::write(kept.join("lock"), "").unwrap();
    std::fs::write(kept.join("ticks/a.json"), "[]").unwrap();
    let before = files_in(&kept);
    for out in ["out", "."] {
        let output = match_into(folder.path(), out)
            .arg("--force")
            .output()
            .unwrap();
        assert!(output.status.code() < Some(2), "{}", said(&output));
        assert!(folder.path().join(out).join("report.html").is_file());
        assert_eq!(files_in(&kept), before, "{out}");
    }
}

#[test]
fn folders_made_on_the_way_go_again_with_a_refusal() {
    let folder = workshop();
    let mut command = measure(folder.path(), Path::new("no-such.mp4"), "a/b/c");
    refused(&mut command, &["no-such.mp4"]);
    assert_eq!(names_in(folder.path()), ["measurement.json"]);
}

#[test]
fn what_cannot_be_written_is_an_error_and_no_panic() {
    let folder = workshop();
    let full = || Stdio::from(File::options().write(true).open("/dev/full").unwrap());
    if !Path::new("/dev/full").exists() {
        return;
    }
    let status = |command: &mut Command| command.status().unwrap().code();
    let mut no_error = hingewise(folder.path());
    assert_eq!(
        status(no_error.args(["match", "no-such.json"]).stderr(full())),
        Some(2)
    );
    let mut no_usage = hingewise(folder.path());
    assert_eq!(
        status(no_usage.arg("--no-such-option").stderr(full())),
        Some(2)
    );
    for option in ["--json", "--force"] {
        let mut command = hingewise(folder.path());
        command
            .args(["match", "measurement.json", option])
            .stdout(full());
        let output = command.output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{option}");
        assert!(
            said(&output).contains("standard output"),
            "{}",
            said(&output)
        );
    }
}

#[test]
fn a_full_disk_leaves_the_old_results() {
    let Some((_tools, library)) = between() else {
        return;
    };
    let folder = workshop();
    assert!(match_into(folder.path(), "out").status().unwrap().code() < Some(2));
    let before = files_in(&folder.path().join("out"));
    let mut command = match_into(folder.path(), "out");
    command
        .arg("--force")
        .env("LD_PRELOAD", &library)
        .env("FULL_BELOW", ".hingewise-");
    refused(&mut command, &["cannot write out", "room left"]);
    assert_eq!(files_in(&folder.path().join("out")), before);
    assert_eq!(names_in(folder.path()), ["measurement.json", "out"]);
}

#[test]
fn a_full_disk_for_the_trace_costs_the_trace_only() {
    let Some((_tools, library)) = between() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut command = measure(folder.path(), &project("sample-frames/cards.mp4"), "out");
    command
        .args(["--trace", "trace"])
        .env("LD_PRELOAD", &library);
    let output = command
        .env("FULL_BELOW", ".hingewise-trace.making/new")
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", said(&output));
    assert!(
        said(&output).contains("The trace was not written to its end"),
        "{}",
        said(&output)
    );
    assert!(folder.path().join("out/report.html").is_file());
    assert_eq!(names_in(folder.path()), ["kept", "out"]);
}

#[test]
fn kept_sightings_follow_no_links_and_tell_a_changed_middle() {
    let folder = tempfile::tempdir().unwrap();
    let clip = folder.path().join("clip.mp4");
    std::fs::copy(project("sample-frames/cards.mp4"), &clip).unwrap();
    let from_kept = |out: &str| {
        let output = measure(folder.path(), &clip, out).output().unwrap();
        assert!(output.status.success(), "{}", said(&output));
        String::from_utf8_lossy(&output.stdout).contains("earlier search")
    };
    assert!(!from_kept("first"));
    assert!(from_kept("second"));
    let kept = folder.path().join("kept");
    let [name] = &names_in(&kept)[..] else {
        panic!("one file")
    };
    let finished = kept.join(name);

    // A pipe in its place does not make the program wait, and no link is written through.
    std::fs::remove_file(&finished).unwrap();
    assert!(
        Command::new("mkfifo")
            .arg(&finished)
            .status()
            .unwrap()
            .success()
    );
    let victim = folder.path().join("victim");
    std::fs::write(&victim, "mine").unwrap();
    symlink(&victim, finished.with_extension("unfinished")).unwrap();
    assert!(!from_kept("third"));
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "mine");
    std::fs::remove_dir_all(&kept).unwrap();

    // 4 kB are looked at every 38 kB of the clip's 2.4 MB: size and date stay, one of these bytes changes.
    assert!(!from_kept("fourth"));
    let changed = clip.metadata().unwrap().modified().unwrap();
    let mut bytes = std::fs::read(&clip).unwrap();
    let sample = (bytes.len() - (1 << 16)) / 63 * 44;
    bytes[sample + 5] ^= 1;
    std::fs::write(&clip, bytes).unwrap();
    File::options()
        .write(true)
        .open(&clip)
        .unwrap()
        .set_modified(changed)
        .unwrap();
    assert!(!from_kept("fifth"));
}

#[test]
fn a_record_follows_no_links_and_bounds_its_numbers() {
    let folder = workshop();
    let kept: serde_json::Value =
        serde_json::from_slice(&std::fs::read(folder.path().join("measurement.json")).unwrap())
            .unwrap();
    let out = folder.path().join("out");
    std::fs::create_dir(&out).unwrap();
    std::fs::copy(
        folder.path().join("measurement.json"),
        out.join("measurement.json"),
    )
    .unwrap();
    std::fs::write(folder.path().join("secret"), "secret").unwrap();
    symlink("../secret", out.join("frames.csv")).unwrap();
    let surfaces: Vec<String> = kept["surfaces"]
        .as_array()
        .unwrap()
        .iter()
        .map(|surface| surface["name"].as_str().unwrap().to_owned())
        .collect();
    let name = kept["model"].as_str().unwrap();
    let new = hingewise(folder.path())
        .args(["new", "model.toml", "--name", name])
        .args(&surfaces)
        .output()
        .unwrap();
    assert!(new.status.success(), "{}", said(&new));
    let record = folder.path().join("model-record");
    std::fs::create_dir(&record).unwrap();
    std::fs::create_dir(record.join(format!("{}-x", u64::MAX))).unwrap();
    std::fs::write(record.join(format!("setup-{}.html", u64::MAX)), "").unwrap();
    symlink("../out", record.join("007-link")).unwrap();
    let output = hingewise(folder.path())
        .args(["record", "out", "--model", "model.toml"])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let of_link = |out: &str, model: &str| {
        let mut command = hingewise(folder.path());
        command.args(["record", out, "--model", model]);
        super::refused(&mut command, &["is a link"]);
    };
    let linked = folder.path().join("linked");
    std::fs::create_dir(&linked).unwrap();
    symlink("../measurement.json", linked.join("measurement.json")).unwrap();
    of_link("linked", "model.toml");
    std::fs::copy(
        folder.path().join("model.toml"),
        folder.path().join("other.toml"),
    )
    .unwrap();
    std::fs::create_dir(folder.path().join("away")).unwrap();
    symlink("away", folder.path().join("other-record")).unwrap();
    of_link("out", "other.toml");
    assert!(names_in(&folder.path().join("away")).is_empty());
    let names: Vec<String> = names_in(&record)
        .iter()
        .map(|name| name.to_string_lossy().into_owned())
        .collect();
    let entry = names.iter().find(|name| name.starts_with("001-")).unwrap();
    assert!(names.contains(&"setup-001.html".into()), "{names:?}");
    assert!(!names_in(&record.join(entry)).contains(&"frames.csv".into()));
}
