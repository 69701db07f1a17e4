//! Bad input, through the real binary: what is wrong, where, and the mend are told, the exit code
//! is 2, and what was there stays as it was.
//!
//! Model files, profiles of another shape and places that cannot be written are in `cli.rs`.
#![allow(clippy::unwrap_used)]

mod clips;
pub mod film;
mod holds;
mod level;
mod page;
mod tags;
mod trace;

use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use film::Film;
use tempfile::TempDir;

/// A folder in which a person works: model file, profile, and results of an earlier day.
pub struct Workplace {
    folder: TempDir,
    /// Sightings are kept elsewhere.
    kept: TempDir,
}

/// The page of a clip that could not be measured.
const PAGE: &str = "not-measured.html";

const KEPT: &str = "of an earlier day";

impl Workplace {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path();
        std::fs::write(path.join("camera.toml"), film::profile()).unwrap();
        std::fs::write(path.join("model.toml"), film::model(&film::by_cards())).unwrap();
        std::fs::create_dir(path.join("results")).unwrap();
        std::fs::write(path.join("results/report.html"), KEPT).unwrap();
        let kept = tempfile::tempdir().unwrap();
        Self { folder, kept }
    }

    /// A workplace with a film in the folder `film`.
    pub fn with(film: &Film) -> Self {
        let workplace = Self::new();
        film.write(&workplace.path("film"));
        workplace
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn write(&self, name: &str, contents: impl AsRef<[u8]>) {
        std::fs::write(self.path(name), contents).unwrap();
    }

    /// Any command.
    pub fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_hingewise"))
            .current_dir(self.folder.path())
            .env("HINGEWISE_CACHE_DIR", self.kept.path())
            .args(arguments)
            .output()
            .unwrap()
    }

    /// How many searches the cache holds.
    pub fn cached_searches(&self) -> usize {
        std::fs::read_dir(self.kept.path()).unwrap().count()
    }

    /// `measure` over the results of an earlier day.
    pub fn measure(&self, clip: &str, more: &[&str]) -> Output {
        let usual = ["measure", clip, "--model", "model.toml", "--out", "results"];
        let camera = ["--camera", "camera.toml", "--force"];
        self.run(&[&usual[..], &camera, more].concat())
    }

    /// Checks that a clip is refused with all these words and a mend, and that nothing in the folder was
    /// touched, but for a page that may have been added; returns what was told.
    pub fn refuses(&self, clip: &str, more: &[&str], words: &[&str]) -> String {
        let page = self.path("results").join(PAGE);
        assert!(!page.exists());
        let before = files_below(self.folder.path());
        let output = self.measure(clip, more);
        let told = on_one_line(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{told}");
        assert!(output.stdout.is_empty());
        for word in words.iter().chain(&["help: "]) {
            assert!(told.contains(word), "{word:?} is not in: {told}");
        }
        assert_eq!(told.contains(PAGE), page.exists(), "{told}");
        let mut after = files_below(self.folder.path());
        after.retain(|(path, _)| *path != page);
        assert_eq!(after, before);
        println!("{told}");
        told
    }
}

/// Every file below a folder with its bytes, sorted.
fn files_below(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = vec![];
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(files_below(&path));
        } else {
            files.push((path.clone(), std::fs::read(path).unwrap()));
        }
    }
    files.sort();
    files
}

/// What was told, without the breaks and bars of its layout.
pub fn on_one_line(told: &[u8]) -> String {
    let text = String::from_utf8_lossy(told).replace('│', " ");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
