//! A single file of results.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::folder::MadeParents;
use super::making::{IN_THE_MAKING, begin, clean_up, end, making};
use super::{OutputError, parent_of};

/// Reading and writing for all, less what the person's umask takes away.
#[cfg(unix)]
const NEW_FILE_MODE: u32 = 0o666;

/// A single file in the making, moved into place by [`OutputFile::finish`].
#[derive(Debug)]
pub struct OutputFile {
    target: PathBuf,
    force: bool,
    new_file: NamedTempFile,
    _noted: Noted,
    made_parents: MadeParents,
}

/// A file in the making, noted for a dying program.
#[derive(Debug)]
struct Noted(PathBuf);

impl Drop for Noted {
    fn drop(&mut self) {
        end(&self.0);
    }
}

impl OutputFile {
    /// Opens the file for writing.
    ///
    /// # Errors
    /// It is there already and `force` is not set, or it cannot be written.
    pub fn create(target: &Path, force: bool) -> Result<Self, OutputError> {
        let path = target.to_owned();
        if target.is_dir() {
            return Err(OutputError::NotAFile { path });
        }
        if !force && target.symlink_metadata().is_ok() {
            return Err(OutputError::AlreadyThere { path });
        }
        let home = parent_of(target);
        let made_parents =
            MadeParents::on_the_way_to(home).map_err(OutputError::not_writable(target))?;
        clean_up(home);
        let new_file = file_in_the_making(home).map_err(OutputError::not_writable(target))?;
        // Shows other programs that this one is alive; nothing is lost where locks do not exist.
        let _ = new_file.as_file().try_lock();
        begin(new_file.path());
        Ok(Self {
            target: path,
            force,
            _noted: Noted(new_file.path().to_owned()),
            new_file,
            made_parents,
        })
    }

    /// Writes the contents and moves the file into place.
    ///
    /// # Errors
    /// The system refuses, or another program wrote the file meanwhile; it is then as it was.
    pub fn finish(mut self, contents: impl AsRef<[u8]>) -> Result<PathBuf, OutputError> {
        self.new_file
            .write_all(contents.as_ref())
            .map_err(OutputError::not_writable(&self.target))?;
        let moved = {
            // Held, so that a dying program does not clean up what is just moved.
            let _making = making();
            match self.force {
                true => self.new_file.persist(&self.target),
                false => self.new_file.persist_noclobber(&self.target),
            }
        };
        moved.map_err(|refused| OutputError::not_writable(&self.target)(refused.error))?;
        self.made_parents.keep();
        Ok(self.target)
    }
}

/// A temporary file that gets the access rights of any other new file, not those of a secret.
fn file_in_the_making(home: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(IN_THE_MAKING);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(NEW_FILE_MODE));
    }
    builder.tempfile_in(home)
}
