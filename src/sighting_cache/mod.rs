//! Sighting cache: the sightings of a search on disk, so that no frame is searched twice.
//!
//! One file per search in the user's cache folder, named by the fingerprint of the identity: the
//! clip (path, size, date, both ends), the tags, and the program with its libraries. The file grows
//! during the search, so that an interrupted search resumes; a finished search renames it. A
//! failure of the cache costs a search, never the job.

mod coding;
mod fingerprint;
mod identity;
#[cfg(test)]
mod sources;

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use coding::{Coder, Decoded};

use crate::clip::{ClipInfo, ClipOptions, ClipWarning};
use crate::tags::{Checkpoint, CheckpointSink, Overview, SightedFrame, TagPlan, TrackerState};
pub(crate) use fingerprint::Fingerprint;

/// Environment variable with the folder of the cache.
pub const FOLDER_VARIABLE: &str = "HINGEWISE_CACHE_DIR";

/// Name of the folder in the user's cache folder.
const FOLDER: &str = "hingewise";

/// Endings of finished and unfinished searches; other files in the folder are never touched.
const FINISHED: &str = ".sightings";
const UNFINISHED: &str = ".unfinished";

/// Limit of the total size: some hundred clips of half a minute. The least recently used files are
/// removed first.
const MOST_BYTES: u64 = 200_000_000;

/// The folder of the cache: [`FOLDER_VARIABLE`], or `hingewise` under `XDG_CACHE_HOME` or
/// `~/.cache` (XDG Base Directory Specification); `None` without a home.
pub fn usual_folder() -> Option<PathBuf> {
    let named = |variable: &str| std::env::var_os(variable).filter(|name| !name.is_empty());
    folder_of(named)
}

fn folder_of(named: impl Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    if let Some(folder) = named(FOLDER_VARIABLE) {
        return Some(folder.into());
    }
    // The specification requires relative paths to be ignored.
    let shared = named("XDG_CACHE_HOME")
        .map(PathBuf::from)
        .filter(|path| path.is_absolute());
    let home = named("HOME").or_else(|| named("USERPROFILE"));
    let shared = shared.or_else(|| Some(PathBuf::from(home?).join(".cache")))?;
    Some(shared.join(FOLDER))
}

/// The cache entry of one search.
#[derive(Debug)]
pub struct SightingCache<'a> {
    folder: PathBuf,
    info: &'a ClipInfo,
    options: &'a ClipOptions,
    plan: &'a TagPlan,
    identity: String,
}

impl<'a> SightingCache<'a> {
    /// The entry of this search; `None` if the clip's files cannot be accessed.
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

    fn path(&self, ending: &str) -> PathBuf {
        let fingerprint = Fingerprint::new().and(self.identity.as_bytes()).value();
        self.folder.join(format!("{fingerprint:016x}{ending}"))
    }

    fn decode(&self, file: &File) -> Option<Decoded> {
        // The length comes first: a buffer that grows while reading takes twice the memory.
        let length = file.metadata().ok()?.len().min(MOST_BYTES);
        let mut bytes = Vec::with_capacity(usize::try_from(length).ok()?);
        file.take(length).read_to_end(&mut bytes).ok()?;
        coding::decode(&bytes, &self.identity)
    }

    /// The result of this search; `None` if it was not finished, or if the entry is damaged.
    fn read(&self) -> Option<Searched> {
        let file = open_plain(File::options().read(true), &self.path(FINISHED)).ok()?;
        let decoded = self.decode(&file)?;
        // The date records the last use; a read-only folder keeps its dates.
        let _ = file.set_modified(SystemTime::now());
        let checkpoint = decoded.checkpoint?;
        Some(Searched {
            overview: checkpoint.memory.overview(),
            frames: checkpoint.frames,
            doubts: decoded.end?,
        })
    }

    /// The earlier result of this search, and where to continue writing; `None` there if it is
    /// finished, cannot be written, or if another program is just writing it.
    pub fn resume(self) -> (Option<Keeping<'a>>, Before) {
        if let Some(searched) = self.read() {
            return (None, Before::All(searched));
        }
        let Some(file) = self.unfinished() else {
            return (None, Before::Nothing);
        };
        match self.decode(&file) {
            Some(Decoded {
                checkpoint: Some(checkpoint),
                length,
                coder,
                ..
            }) => (
                self.go_on(file, length, coder),
                Before::Part(checkpoint.into()),
            ),
            _ => (self.begin(file), Before::Nothing),
        }
    }

    /// Where this search is written, ignoring earlier results; `None` as for
    /// [`SightingCache::resume`].
    pub fn start_over(self) -> (Option<Keeping<'a>>, Before) {
        let file = self.unfinished();
        (file.and_then(|file| self.begin(file)), Before::Nothing)
    }

    /// The file of an unfinished search, locked for this program.
    fn unfinished(&self) -> Option<File> {
        fs::create_dir_all(&self.folder).ok()?;
        let mut options = File::options();
        options.read(true).write(true).create(true).truncate(false);
        let file = open_plain(&mut options, &self.path(UNFINISHED)).ok()?;
        // On a file system without locks, two programs at once may spoil the file; it is then
        // ignored.
        let taken = matches!(file.try_lock(), Err(TryLockError::WouldBlock));
        (!taken).then_some(file)
    }

    fn begin(self, file: File) -> Option<Keeping<'a>> {
        let (coder, beginning) = Coder::begin(&self.identity)?;
        let mut keeping = self.go_on(file, 0, coder)?;
        keeping.write(Some(beginning));
        Some(keeping)
    }

    /// Cuts off the unusable end of the file.
    fn go_on(self, mut file: File, length: u64, coder: Coder) -> Option<Keeping<'a>> {
        file.set_len(length).ok()?;
        file.seek(SeekFrom::End(0)).ok()?;
        Some(Keeping {
            place: self,
            file: Some(file),
            coder,
        })
    }
}

/// Earlier result of a search.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Before {
    /// No entry.
    #[default]
    Nothing,
    /// Interrupted.
    Part(Box<Checkpoint>),
    /// Finished.
    All(Searched),
}

/// Result of a finished search.
#[derive(Debug, Clone, PartialEq)]
pub struct Searched {
    /// Every frame, in the order of presentation.
    pub frames: Vec<SightedFrame>,
    /// The findings besides the sightings.
    pub overview: Overview,
    /// Warnings about the clip from reading it.
    pub doubts: Vec<ClipWarning>,
}

/// Writes a search while it runs.
#[derive(Debug)]
pub struct Keeping<'a> {
    place: SightingCache<'a>,
    /// `None` after a failure: the search continues without the cache, and only the next one takes
    /// longer.
    file: Option<File>,
    coder: Coder,
}

impl Keeping<'_> {
    fn write(&mut self, bytes: Option<Vec<u8>>) {
        self.file = self.file.take().and_then(|mut file| {
            file.write_all(&bytes?).ok()?;
            Some(file)
        });
    }

    /// The search is finished; removes the least recently used files if the folder is too large.
    pub fn finish(mut self, doubts: &[ClipWarning]) {
        let bytes = self.coder.end(doubts);
        self.write(bytes);
        let place = self.place;
        let now = identity::identity(place.info, place.options, place.plan);
        let unchanged = now.is_ok_and(|now| now == place.identity);
        // As above: a failure costs the next search only.
        let _ = if self.file.is_some() && unchanged {
            fs::rename(place.path(UNFINISHED), place.path(FINISHED))
        } else {
            fs::remove_file(place.path(UNFINISHED))
        };
        let _ = prune(&place.folder, MOST_BYTES);
    }
}

impl CheckpointSink for Keeping<'_> {
    fn save(&mut self, news: &[SightedFrame], memory: &TrackerState) {
        if !news.is_empty() {
            let bytes = self.coder.part(news, memory);
            self.write(bytes);
        }
    }
}

/// Opens a file of the folder, which may be one that others can write to: a link there could lead to any
/// file of this person, and a pipe would make the program wait.
fn open_plain(options: &mut OpenOptions, path: &Path) -> io::Result<File> {
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(options, libc::O_NOFOLLOW | libc::O_NONBLOCK);
    let file = options.open(path)?;
    let metadata = file.metadata()?;
    #[cfg(unix)]
    let is_alone = std::os::unix::fs::MetadataExt::nlink(&metadata) == 1;
    #[cfg(not(unix))]
    let is_alone = true;
    match metadata.is_file() && is_alone {
        true => Ok(file),
        false => Err(io::ErrorKind::InvalidInput.into()),
    }
}

/// Removes the least recently used files until the others stay below `most_bytes`.
fn prune(folder: &Path, most_bytes: u64) -> io::Result<()> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let metadata = entry.metadata()?;
        let name = entry.file_name();
        let name = name.to_string_lossy();
        let ours = [FINISHED, UNFINISHED]
            .iter()
            .any(|ending| name.ends_with(ending));
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
        write("c.unfinished", 2);
        write("notes.txt", 9);
        prune(folder.path(), 200).unwrap();
        let mut names: Vec<_> = fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        assert_eq!(names, ["a.sightings", "c.unfinished", "notes.txt"]);
    }
}
