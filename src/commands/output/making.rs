//! What is in the making: hidden folders and files beside their targets, which nobody else touches while
//! this program lives, and which are cleaned up when it dies.

use std::ffi::OsStr;
use std::fs::{self, File, TryLockError};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Names of folders and files in the making start like this, so that leftovers are known for what they
/// are.
pub(super) const IN_THE_MAKING: &str = ".hingewise-";

/// The hidden folder of the bench. It starts like what is in the making, but is kept.
pub const BENCH_FOLDER: &str = ".hingewise-bench";

/// Whether a name is that of something in the making, or of what a dead program left of it.
pub(super) fn is_in_the_making(name: &OsStr) -> bool {
    name != BENCH_FOLDER && name.to_string_lossy().starts_with(IN_THE_MAKING)
}

/// File in a folder in the making that its program keeps locked.
const LOCK: &str = "lock";

/// Folder in a folder in the making for what it replaces.
pub(super) const REPLACED: &str = "replaced";

/// File in a folder in the making that names its target.
const TARGET: &str = "target";

/// What is younger than this may not be locked yet.
const YOUNG: Duration = Duration::from_secs(60);

/// All that is in the making by this program.
static MAKING: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// The list; who holds it also holds off the clean-up of a dying program.
pub(super) fn making() -> MutexGuard<'static, Vec<PathBuf>> {
    MAKING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Notes what is to be removed when the program dies.
pub(super) fn begin(path: &Path) {
    making().push(path.to_owned());
}

/// Removes what is no longer needed, and forgets it.
pub(super) fn end(path: &Path) {
    let mut making = making();
    remove(path);
    making.retain(|other| other != path);
}

/// Removes all that is in the making by this program, which is about to die, and waits for what is just
/// moved into place. Nothing more can be moved afterwards.
#[cfg(unix)]
fn abandon() {
    /// Another thread may just be writing into a folder while it is removed.
    const TRIES: usize = 20;
    let making = making();
    for path in making.iter().rev() {
        for _ in 0..TRIES {
            remove(path);
            if path.symlink_metadata().is_err() {
                break;
            }
        }
    }
    // The program ends while the list is held.
    std::mem::forget(making);
}

/// What cannot be removed stays: nobody is left to read an error.
fn remove(path: &Path) {
    let _ = match path.symlink_metadata() {
        Ok(metadata) if metadata.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
        Err(_) => Ok(()),
    };
}

/// Ends the program as these signals do, but removes first what it has in the making. Signals that the
/// program was started to ignore, as `nohup` does, stay ignored.
///
/// # Errors
/// The system refuses.
#[cfg(unix)]
pub fn clean_up_on_signals() -> io::Result<()> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let signals = [SIGHUP, SIGINT, SIGTERM];
    let heeded = signals
        .into_iter()
        .filter(|&signal| !crate::foreign::is_ignored(signal));
    let mut signals = signal_hook::iterator::Signals::new(heeded)?;
    std::thread::Builder::new()
        .name("signals".into())
        .spawn(move || {
            if let Some(signal) = signals.forever().next() {
                abandon();
                let _ = signal_hook::low_level::emulate_default_handler(signal);
            }
        })?;
    Ok(())
}

/// Signals are those of other systems.
#[cfg(not(unix))]
pub fn clean_up_on_signals() -> io::Result<()> {
    Ok(())
}

/// A folder in the making for one target; another program that asks for the same one is refused.
#[derive(Debug)]
pub(super) struct Workplace {
    path: PathBuf,
    // Kept locked.
    _lock: File,
}

impl Workplace {
    /// Makes the folder in `home`; `None` if another program makes one for the same target.
    pub(super) fn new(home: &Path, target: &Path) -> io::Result<Option<Self>> {
        clean_up(home);
        // It gets its name only once it is locked, so that nobody takes it for a dead one's.
        let unnamed = tempfile::Builder::new()
            .prefix(IN_THE_MAKING)
            .tempdir_in(home)?
            .keep();
        begin(&unnamed);
        let path = home.join(name_for(target));
        let named = Self::locked(&unnamed, target).and_then(|lock| {
            let mut making = making();
            fs::rename(&unnamed, &path)?;
            making.push(path.clone());
            Ok(lock)
        });
        end(&unnamed);
        match named {
            Ok(lock) => Ok(Some(Self { path, _lock: lock })),
            Err(error) if is_taken(error.kind()) => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn locked(path: &Path, target: &Path) -> io::Result<File> {
        let file = File::create_new(path.join(LOCK))?;
        // Where a file system has no locks, only its age shows who died.
        let _ = file.try_lock();
        fs::write(path.join(TARGET), target.as_os_str().as_encoded_bytes())?;
        Ok(file)
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Workplace {
    fn drop(&mut self) {
        end(&self.path);
    }
}

/// Whether a folder could not get its name because another one has it.
fn is_taken(kind: ErrorKind) -> bool {
    matches!(
        kind,
        ErrorKind::DirectoryNotEmpty | ErrorKind::AlreadyExists
    )
}

/// A name in the making for a target, the same for each program.
fn name_for(target: &Path) -> String {
    /// Leaves room for the beginning; names have at most 255 bytes.
    const MOST_LETTERS: usize = 50;
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    let beginning: String = name.chars().take(MOST_LETTERS).collect();
    format!("{IN_THE_MAKING}{beginning}.making")
}

/// Removes what programs that died have left in a folder. If one died between two moves, what it was
/// about to replace goes back to its place.
pub(super) fn clean_up(home: &Path) {
    for entry in fs::read_dir(home).into_iter().flatten().flatten() {
        if is_in_the_making(&entry.file_name()) && is_dead(&entry.path()) {
            put_back(home, &entry.path());
            remove(&entry.path());
        }
    }
}

fn is_dead(path: &Path) -> bool {
    let Ok(metadata) = path.symlink_metadata() else {
        return false;
    };
    let lock = match metadata.is_dir() {
        true => path.join(LOCK),
        false if metadata.is_file() => path.to_owned(),
        false => return false,
    };
    let age = metadata
        .modified()
        .ok()
        .and_then(|time| time.elapsed().ok());
    let old = age.is_some_and(|age| age >= YOUNG);
    match File::open(lock).map(|file| file.try_lock()) {
        Ok(Err(TryLockError::WouldBlock)) => false,
        // A lock that can be had, in a folder that has one, is a dead program's at any age.
        Ok(Ok(())) => metadata.is_dir() || old,
        _ => old,
    }
}

fn put_back(home: &Path, dead: &Path) {
    let replaced = dead.join(REPLACED);
    let Ok(target) = fs::read_to_string(dead.join(TARGET)) else {
        return;
    };
    let Some(target) = Path::new(&target).file_name().map(|name| home.join(name)) else {
        return;
    };
    if replaced.is_dir() && target.symlink_metadata().is_err() {
        let _ = fs::rename(replaced, target);
    }
}
