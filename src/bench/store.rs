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

/// Name of the hidden folder, inside the folder that is served.
const FOLDER: &str = ".hingewise-bench";

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
            home: root.join(FOLDER),
        }
    }

    /// Keeps other benches out of this store for as long as the file stays open; `None` where another
    /// has it.
    pub fn lock(&self) -> io::Result<Option<fs::File>> {
        fs::create_dir_all(&self.home)?;
        let file = fs::File::create(self.path("lock"))?;
        match file.try_lock() {
            Ok(()) => Ok(Some(file)),
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
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
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
