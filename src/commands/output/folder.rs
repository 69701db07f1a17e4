//! A folder of results: written beside its place, and exchanged with it as a whole.

use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use super::making::{REPLACED, Workplace, is_in_the_making, making};
use super::{OutputError, names_in, parent_of};
use crate::report::UNFINISHED_PAGE;

/// Folder in the workplace for the new files.
const NEW: &str = "new";

/// A folder of results in the making.
///
/// Files are written to a hidden folder, which [`OutputFolder::finish`] puts in the place of the old one;
/// dropped without it, nothing remains and nothing was touched.
#[derive(Debug)]
pub struct OutputFolder {
    target: PathBuf,
    /// The target itself, where the person named a link to it.
    place: PathBuf,
    workplace: Workplace,
    new_files: PathBuf,
    force: bool,
    made_parents: MadeParents,
}

/// Folders that were made for a target, and go again unless something comes into them.
#[derive(Debug, Default)]
pub(super) struct MadeParents(Vec<PathBuf>);

impl MadeParents {
    /// Makes the folders that are missing on the way to `home`.
    pub(super) fn on_the_way_to(home: &Path) -> io::Result<Self> {
        let is_missing = |folder: &&Path| !folder.as_os_str().is_empty() && !folder.exists();
        let missing = home.ancestors().take_while(is_missing).map(Path::to_owned);
        let made = Self(missing.collect());
        fs::create_dir_all(home)?;
        Ok(made)
    }

    /// Something came into them.
    pub(super) fn keep(&mut self) {
        self.0.clear();
    }
}

impl Drop for MadeParents {
    fn drop(&mut self) {
        for folder in &self.0 {
            // One that holds something stays.
            if fs::remove_dir(folder).is_err() {
                break;
            }
        }
    }
}

impl OutputFolder {
    /// Opens the folder for writing. The page of a clip that could not be measured does not count: the
    /// same call with the mistake mended has to work.
    ///
    /// # Errors
    /// It holds something already and `force` is not set, it cannot be written, or another program is
    /// about to write it.
    pub fn create(target: &Path, force: bool) -> Result<Self, OutputError> {
        let refused = |cause| OutputError::not_writable(target)(cause);
        let exists = target.exists();
        if exists && !target.is_dir() {
            let path = target.to_owned();
            return Err(OutputError::NotAFolder { path });
        }
        if exists && !force && !has_no_result(target).map_err(refused)? {
            let path = target.to_owned();
            return Err(OutputError::AlreadyThere { path });
        }
        let place = match exists {
            true => target.canonicalize().map_err(refused)?,
            false => target.to_owned(),
        };
        let made_parents = MadeParents::on_the_way_to(parent_of(&place)).map_err(refused)?;
        if exists {
            // To move a folder takes the right to write in it, too.
            tempfile::tempfile_in(&place).map_err(refused)?;
        }
        let workplace = Self::workplace(&place, exists)
            .map_err(refused)?
            .ok_or_else(|| OutputError::BeingWritten {
                path: target.to_owned(),
            })?;
        let new_files = workplace.path().join(NEW);
        fs::create_dir(&new_files).map_err(refused)?;
        Ok(Self {
            target: target.to_owned(),
            place,
            workplace,
            new_files,
            force,
            made_parents,
        })
    }

    /// A workplace beside the folder; inside it where nothing can be made beside it, as at the root of a
    /// disk.
    fn workplace(place: &Path, exists: bool) -> io::Result<Option<Workplace>> {
        match Workplace::new(parent_of(place), place) {
            Err(_) if exists => Workplace::new(place, place),
            made => made,
        }
    }

    /// Where files are written until [`OutputFolder::finish`].
    pub fn path(&self) -> &Path {
        &self.new_files
    }

    /// The folder as the person named it.
    pub fn target(&self) -> &Path {
        &self.target
    }

    /// Writes one file of the folder.
    ///
    /// # Errors
    /// The system refuses.
    pub fn write(&self, name: &str, contents: impl AsRef<[u8]>) -> Result<(), OutputError> {
        fs::write(self.new_files.join(name), contents)
            .map_err(OutputError::not_writable(&self.target.join(name)))
    }

    /// Puts all files in place. Other files in the folder stay, but for the page of a clip that could
    /// not be measured.
    ///
    /// # Errors
    /// The system refuses, a folder stands where a file belongs, or something came into the folder
    /// meanwhile; it is then as it was before.
    pub fn finish(self) -> Result<PathBuf, OutputError> {
        self.check_place()?;
        let refused = OutputError::not_writable(&self.target);
        self.put_in_place().map_err(refused)?;
        let Self {
            target,
            mut made_parents,
            ..
        } = self;
        made_parents.keep();
        Ok(target)
    }

    fn check_place(&self) -> Result<(), OutputError> {
        let refused = |cause| OutputError::not_writable(&self.target)(cause);
        if !self.place.exists() {
            return Ok(());
        }
        if !self.force && !has_no_result(&self.place).map_err(refused)? {
            let path = self.target.clone();
            return Err(OutputError::AlreadyThere { path });
        }
        let names = names_in(&self.new_files).map_err(refused)?;
        let is_folder = |name: &&std::ffi::OsString| {
            let metadata = self.place.join(name).symlink_metadata();
            metadata.is_ok_and(|metadata| metadata.is_dir())
        };
        match names.iter().find(is_folder) {
            None => Ok(()),
            Some(name) => Err(OutputError::NotAFile {
                path: self.target.join(name),
            }),
        }
    }

    fn put_in_place(&self) -> io::Result<()> {
        if !self.place.exists() {
            // Held, so that a dying program does not clean up what is just moved.
            let _making = making();
            return fs::rename(&self.new_files, &self.place);
        }
        if self.workplace.path().starts_with(&self.place) {
            let names = names_in(&self.new_files)?;
            let replaced = self.workplace.path().join(REPLACED);
            let _making = making();
            super::move_into(&names, &self.new_files, &self.place, &replaced)?;
            if !names.iter().any(|name| name == UNFINISHED_PAGE) {
                // What cannot be removed stays.
                let _ = fs::remove_file(self.place.join(UNFINISHED_PAGE));
            }
            return Ok(());
        }
        carry_over(&self.place, &self.new_files)?;
        let _making = making();
        exchange(&self.new_files, &self.place, self.workplace.path())
    }
}

/// Whether a folder holds nothing, or only the page of a clip that could not be measured.
fn has_no_result(folder: &Path) -> io::Result<bool> {
    let names = names_in(folder)?;
    let is_result = |name: &std::ffi::OsString| name != UNFINISHED_PAGE && !is_in_the_making(name);
    Ok(!names.iter().any(is_result))
}

/// Gives a new folder what it lacks of an old one, under both names for now.
fn carry_over(old: &Path, new: &Path) -> io::Result<()> {
    for entry in fs::read_dir(old)? {
        let entry = entry?;
        let name = entry.file_name();
        let place = new.join(&name);
        let passed_over = name == UNFINISHED_PAGE || is_in_the_making(&name);
        if passed_over || place.symlink_metadata().is_ok() {
            continue;
        }
        if entry.file_type()?.is_dir() {
            fs::create_dir(&place)?;
            carry_over(&entry.path(), &place)?;
            fs::set_permissions(&place, entry.metadata()?.permissions())?;
        } else if fs::hard_link(entry.path(), &place).is_err() {
            // Not every file system knows links.
            fs::copy(entry.path(), &place)?;
        }
    }
    Ok(())
}

/// Puts a new folder in the place of an old one: at once where the system can, else by two moves, the
/// first of which a later run takes back if this one dies before the second.
fn exchange(new: &Path, old: &Path, workplace: &Path) -> io::Result<()> {
    fs::set_permissions(new, fs::metadata(old)?.permissions())?;
    if at_once(new, old)? {
        return Ok(());
    }
    let replaced = workplace.join(REPLACED);
    fs::rename(old, &replaced)?;
    fs::rename(new, old).inspect_err(|_| {
        // The error that is reported is the one that made this necessary.
        let _ = fs::rename(&replaced, old);
    })
}

/// Exchanges two folders; `false` where the system or the file system cannot.
#[cfg(any(target_os = "linux", target_os = "macos"))]
fn at_once(new: &Path, old: &Path) -> io::Result<bool> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    match renameat_with(CWD, new, CWD, old, RenameFlags::EXCHANGE).map_err(io::Error::from) {
        Ok(()) => Ok(true),
        Err(error)
            if matches!(
                error.kind(),
                ErrorKind::InvalidInput | ErrorKind::Unsupported
            ) =>
        {
            Ok(false)
        }
        Err(error) => Err(error),
    }
}

#[cfg(not(any(target_os = "linux", target_os = "macos")))]
fn at_once(_new: &Path, _old: &Path) -> io::Result<bool> {
    Ok(false)
}
