//! Store: what the bench keeps of its own, beside the files that the commands know.
//!
//! The line of waiting work, clips on their way in, ticked boxes, and the day on which cautions were
//! confirmed. All of it is in one hidden folder. Whoever deletes it loses these and nothing else.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::bounded_file;
use crate::commands::output::BENCH_FOLDER;

/// Names of files in the making start like this.
const IN_THE_MAKING: &str = ".tmp";

/// Largest file that is read from it, bytes: several times the longest line or the most ticks.
const MOST_BYTES: u64 = 16 << 20;

/// The hidden folder.
#[derive(Debug, Clone)]
pub struct Store {
    home: PathBuf,
}

impl Store {
    /// The store of a folder; it is made when something is first kept.
    pub fn of(root: &Path) -> Self {
        Self {
            home: root.join(BENCH_FOLDER),
        }
    }

    /// Keeps other benches out of this store for as long as the file stays open; `None` where another
    /// has it. Removes what a bench that was killed has left in the making.
    pub fn lock(&self) -> io::Result<Option<fs::File>> {
        fs::create_dir_all(&self.home)?;
        let file = fs::File::create(self.path("lock"))?;
        match file.try_lock() {
            Ok(()) => {
                remove_leftovers(&self.home);
                Ok(Some(file))
            }
            Err(fs::TryLockError::WouldBlock) => Ok(None),
            Err(fs::TryLockError::Error(cause)) => Err(cause),
        }
    }

    /// The path of a name in the store.
    pub fn path(&self, name: &str) -> PathBuf {
        self.home.join(name)
    }

    /// What is kept under a name; nothing where it is missing or damaged.
    pub fn read<T: DeserializeOwned>(&self, name: &str) -> Option<T> {
        let text = bounded_file::read(&self.path(name), MOST_BYTES).ok()?;
        serde_json::from_slice(&text).ok()
    }

    /// Keeps something under a name, whole or not at all.
    pub fn write(&self, name: &str, kept: &impl Serialize) -> io::Result<()> {
        let target = self.path(name);
        let folder = target.parent().unwrap_or(&self.home);
        fs::create_dir_all(folder)?;
        // Its rights stay those of a temporary file: what is kept here is for its owner only.
        let mut file = tempfile::Builder::new()
            .prefix(IN_THE_MAKING)
            .tempfile_in(folder)?;
        file.write_all(&serde_json::to_vec(kept)?)?;
        file.persist(target).map_err(|error| error.error)?;
        Ok(())
    }

    /// Forgets what is kept under a name, if anything is.
    pub fn remove(&self, name: &str) {
        let _ = fs::remove_file(self.path(name));
    }

    /// Names of what is kept in a folder of the store, sorted.
    pub fn names(&self, folder: &str) -> Vec<String> {
        let entries = fs::read_dir(self.path(folder)).into_iter().flatten();
        let mut names: Vec<String> = entries
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter(|name| !name.starts_with('.'))
            .map(|name| format!("{folder}/{name}"))
            .collect();
        names.sort();
        names
    }
}

/// Removes files in the making from a folder and from those in it; what cannot be removed stays.
fn remove_leftovers(folder: &Path) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
        if is_folder {
            remove_leftovers(&entry.path());
        } else if entry
            .file_name()
            .to_string_lossy()
            .starts_with(IN_THE_MAKING)
        {
            let _ = fs::remove_file(entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_a_killed_bench_left_goes_and_what_is_kept_stays() {
        let root = tempfile::tempdir().unwrap();
        let store = Store::of(root.path());
        store.write("line.json", &1).unwrap();
        store.write("ticks/a.json", &2).unwrap();
        for left in [".tmpAbC123", "ticks/.tmpAbC123"] {
            fs::write(store.path(left), "[").unwrap();
        }
        let lock = store.lock().unwrap();
        assert!(lock.is_some());
        for left in [".tmpAbC123", "ticks/.tmpAbC123"] {
            assert!(!store.path(left).exists(), "{left}");
        }
        assert_eq!(store.read("line.json"), Some(1));
        assert_eq!(store.read("ticks/a.json"), Some(2));
    }
}
