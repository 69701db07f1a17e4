//! Kept sightings: what a search of a clip brought, so that the same search is not made twice.
//!
//! One file a search in a folder of the person's own, named by the fingerprint of the identity:
//! the clip (path, size, date, both ends), the tags looked for, and the program with its
//! libraries. Only finished searches are kept. Whatever goes wrong here costs a search, never the
//! job.

mod coding;
mod fingerprint;
mod identity;

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

pub use coding::Searched;

use crate::clip::{ClipInfo, ClipOptions};
use crate::tags::{SightedFrame, TagPlan};
use crate::warning::Warning;
use fingerprint::Fingerprint;

/// Names another folder to keep sightings in.
pub const FOLDER_VARIABLE: &str = "HINGEWISE_CACHE_DIR";

/// Name of the folder below the person's folder for such things.
const FOLDER: &str = "hingewise";

/// Ending of all files here; nothing else in the folder is ever touched.
const ENDING: &str = ".sightings";

/// The files together stay below this: some hundred clips of half a minute. The longest unused go
/// first.
const MOST_BYTES: u64 = 200_000_000;

/// The folder that sightings are kept in: [`FOLDER_VARIABLE`], or `hingewise` below
/// `XDG_CACHE_HOME` or `~/.cache` (XDG Base Directory Specification); `None` where there is no
/// home.
pub fn usual_folder() -> Option<PathBuf> {
    let named = |variable: &str| std::env::var_os(variable).filter(|name| !name.is_empty());
    folder_of(named)
}

fn folder_of(named: impl Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    if let Some(folder) = named(FOLDER_VARIABLE) {
        return Some(folder.into());
    }
    // The specification says that a relative path here is to be ignored.
    let shared = named("XDG_CACHE_HOME")
        .map(PathBuf::from)
        .filter(|path| path.is_absolute());
    let home = named("HOME").or_else(|| named("USERPROFILE"));
    let shared = shared.or_else(|| Some(PathBuf::from(home?).join(".cache")))?;
    Some(shared.join(FOLDER))
}

/// The place of one search among the kept ones.
#[derive(Debug)]
pub struct KeptSightings<'a> {
    folder: PathBuf,
    info: &'a ClipInfo,
    options: &'a ClipOptions,
    plan: &'a TagPlan,
    identity: String,
}

impl<'a> KeptSightings<'a> {
    /// The place of this search; `None` if the clip's files cannot be looked at.
    pub fn new(
        folder: &Path,
        info: &'a ClipInfo,
        options: &'a ClipOptions,
        plan: &'a TagPlan,
    ) -> Option<Self> {
        Some(Self {
            folder: folder.to_owned(),
            info,
            options,
            plan,
            identity: identity::identity(info, options, plan).ok()?,
        })
    }

    fn path(&self) -> PathBuf {
        let fingerprint = Fingerprint::new().and(self.identity.as_bytes()).value();
        self.folder.join(format!("{fingerprint:016x}{ENDING}"))
    }

    /// What this search brought before; `None` if it was not made, or if what was kept is damaged.
    pub fn read(&self) -> Option<Searched> {
        let file = File::open(self.path()).ok()?;
        let mut bytes = Vec::new();
        (&file).take(MOST_BYTES).read_to_end(&mut bytes).ok()?;
        let searched = coding::decode(&bytes, &self.identity)?;
        // The date tells when it was last of use; a folder that cannot be written keeps its dates.
        let _ = file.set_modified(SystemTime::now());
        Some(searched)
    }

    /// Keeps what this search brought, if it can, and lets the longest unused go where the folder
    /// gets large.
    pub fn keep(&self, frames: &[SightedFrame], warnings: &[Warning]) {
        let now = identity::identity(self.info, self.options, self.plan);
        if now.is_ok_and(|now| now == self.identity)
            && let Some(bytes) = coding::encode(&self.identity, frames, warnings)
        {
            // The measurement goes on without it, only the next one takes longer.
            let _ = self.write(&bytes);
            let _ = prune(&self.folder, MOST_BYTES);
        }
    }

    /// Whole or not at all.
    fn write(&self, bytes: &[u8]) -> io::Result<()> {
        fs::create_dir_all(&self.folder)?;
        let mut file = tempfile::Builder::new()
            .suffix(ENDING)
            .tempfile_in(&self.folder)?;
        file.write_all(bytes)?;
        file.persist(self.path())?;
        Ok(())
    }
}

/// Removes the longest unused files until the others stay below `most_bytes`.
fn prune(folder: &Path, most_bytes: u64) -> io::Result<()> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let metadata = entry.metadata()?;
        let ours = entry.file_name().to_string_lossy().ends_with(ENDING);
        if ours && metadata.is_file() {
            files.push((metadata.modified()?, entry.path(), metadata.len()));
        }
    }
    files.sort();
    let mut total: u64 = files.iter().map(|(_, _, bytes)| bytes).sum();
    for (_, path, bytes) in files {
        if total <= most_bytes {
            break;
        }
        fs::remove_file(path)?;
        total -= bytes;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::time::Duration;

    use super::*;

    #[test]
    fn the_folder_is_the_named_one_or_below_the_persons_own() {
        // XDG Base Directory Specification 0.8: $XDG_CACHE_HOME, "all paths must be absolute",
        // else $HOME/.cache.
        let folder = |set: &[(&str, &str)]| {
            let set: Vec<(String, OsString)> = set
                .iter()
                .map(|(name, value)| (name.to_string(), value.into()))
                .collect();
            folder_of(|asked| {
                set.iter()
                    .find(|(name, _)| name == asked)
                    .map(|(_, value)| value.clone())
            })
        };
        let home = ("HOME", "/home/me");
        let is = |path: &str| Some(PathBuf::from(path));
        assert_eq!(folder(&[home]), is("/home/me/.cache/hingewise"));
        assert_eq!(
            folder(&[home, ("XDG_CACHE_HOME", "/fast")]),
            is("/fast/hingewise")
        );
        assert_eq!(
            folder(&[home, ("XDG_CACHE_HOME", "fast")]),
            is("/home/me/.cache/hingewise")
        );
        assert_eq!(folder(&[home, (FOLDER_VARIABLE, "kept")]), is("kept"));
        assert_eq!(folder(&[]), None);
    }

    #[test]
    fn the_longest_unused_go_first_and_nothing_else_is_touched() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, age_s: u64| {
            let path = folder.path().join(name);
            fs::write(&path, [0; 100]).unwrap();
            let file = File::options().write(true).open(path).unwrap();
            let day = SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000 - age_s);
            file.set_modified(day).unwrap();
        };
        write("a.sightings", 1);
        write("b.sightings", 3);
        write("c.sightings", 2);
        write("notes.txt", 9);
        prune(folder.path(), 200).unwrap();
        let mut names: Vec<_> = fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        assert_eq!(names, ["a.sightings", "c.sightings", "notes.txt"]);
    }
}
