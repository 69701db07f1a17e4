//! Outputs: checked before the long work, written whole or not at all.

use std::ffi::OsString;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::{NamedTempFile, TempDir};
use thiserror::Error;

use super::CommandError;
use crate::report::{NamedFile, UNFINISHED_PAGE};

/// Prefix of unfinished folders and files, so that leftovers of a killed program are recognisable.
const IN_THE_MAKING: &str = ".hingewise-";

/// Access rights: reading and writing for all, minus the user's umask.
#[cfg(unix)]
const NEW_FILE_MODE: u32 = 0o666;

/// Why an output cannot be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum OutputError {
    /// Something is there already.
    #[error("{} already exists", path.display())]
    AlreadyThere {
        /// The file or the folder that is not empty.
        path: PathBuf,
    },
    /// A file is in the place of a folder.
    #[error("{} is a file, not a folder", path.display())]
    NotAFolder {
        /// The file.
        path: PathBuf,
    },
    /// A folder is in the place of a file.
    #[error("{} is a folder, not a file", path.display())]
    NotAFile {
        /// The folder.
        path: PathBuf,
    },
    /// The system refuses.
    #[error("cannot write {}", path.display())]
    NotWritable {
        /// The file or folder.
        path: PathBuf,
        /// The system's message.
        #[source]
        cause: io::Error,
    },
}

impl OutputError {
    /// What the user can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::AlreadyThere { .. } => "choose another name, or add --force to overwrite",
            Self::NotAFolder { .. } => "choose a folder with --out",
            Self::NotAFile { .. } => "choose a file name",
            Self::NotWritable { .. } => "choose a place that you may write to, with room left",
        }
    }

    fn not_writable(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |cause| Self::NotWritable { path, cause }
    }
}

/// A folder of results in the making.
///
/// Files are written to a hidden folder beside the target and moved into place by
/// [`OutputFolder::finish`]; dropped without it, nothing remains and nothing was touched.
#[derive(Debug)]
pub struct OutputFolder {
    target: PathBuf,
    // Contains the folder of new files and, while they are moved, the files they replace.
    workplace: TempDir,
    new_files: PathBuf,
}

/// Writes all files of a folder and moves them into place.
pub fn write_files(files: Vec<NamedFile>, folder: OutputFolder) -> Result<(), CommandError> {
    for file in files {
        folder.write(&file.name, &file.bytes)?;
    }
    folder.finish()?;
    Ok(())
}

impl OutputFolder {
    /// Opens the folder for writing. The page of a clip that could not be measured does not count: the
    /// same call with the mistake mended has to work.
    ///
    /// # Errors
    /// It holds something already and `force` is not set, or it cannot be written.
    pub fn create(target: &Path, force: bool) -> Result<Self, OutputError> {
        let path = target.to_owned();
        let exists = target.exists();
        if exists && !target.is_dir() {
            return Err(OutputError::NotAFolder { path });
        }
        if exists && !force && !has_no_result(target).map_err(OutputError::not_writable(target))? {
            return Err(OutputError::AlreadyThere { path });
        }
        // Moving is only whole within one file system: beside a new folder, inside an old one.
        let home = if exists { target } else { parent_of(target) };
        std::fs::create_dir_all(home).map_err(OutputError::not_writable(target))?;
        let workplace = tempfile::Builder::new()
            .prefix(IN_THE_MAKING)
            .tempdir_in(home)
            .map_err(OutputError::not_writable(target))?;
        let new_files = workplace.path().join("new");
        std::fs::create_dir(&new_files).map_err(OutputError::not_writable(target))?;
        Ok(Self {
            target: path,
            workplace,
            new_files,
        })
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
        std::fs::write(self.new_files.join(name), contents)
            .map_err(OutputError::not_writable(&self.target.join(name)))
    }

    /// Moves all files into place. Other files in the folder stay.
    ///
    /// # Errors
    /// The system refuses; the folder is then as it was before.
    pub fn finish(self) -> Result<PathBuf, OutputError> {
        let Self {
            target,
            workplace,
            new_files,
        } = self;
        let moved = if target.exists() {
            names_in(&new_files).and_then(|names| {
                let replaced = workplace.path().join("replaced");
                move_into(&names, &new_files, &target, &replaced)
            })
        } else {
            std::fs::rename(&new_files, &target)
        };
        moved.map_err(OutputError::not_writable(&target))?;
        Ok(target)
    }
}

fn names_in(folder: &Path) -> io::Result<Vec<OsString>> {
    let entries = std::fs::read_dir(folder)?;
    let mut names = entries
        .map(|entry| entry.map(|entry| entry.file_name()))
        .collect::<io::Result<Vec<_>>>()?;
    names.sort();
    Ok(names)
}

/// Moves entries of `from` into `target`; replaced entries are kept in `replaced` and restored if a
/// move fails.
fn move_into(names: &[OsString], from: &Path, target: &Path, replaced: &Path) -> io::Result<()> {
    std::fs::create_dir(replaced)?;
    let mut moves: Vec<(PathBuf, PathBuf)> = Vec::new();
    let mut rename = |from: PathBuf, to: PathBuf| -> io::Result<()> {
        std::fs::rename(&from, &to)?;
        moves.push((from, to));
        Ok(())
    };
    let moved = names.iter().try_for_each(|name| {
        let place = target.join(name);
        if place.symlink_metadata().is_ok() {
            rename(place.clone(), replaced.join(name))?;
        }
        rename(from.join(name), place)
    });
    if moved.is_err() {
        for (from, to) in moves.iter().rev() {
            std::fs::rename(to, from)?;
        }
    }
    moved
}

/// A single file in the making, moved into place by [`OutputFile::finish`].
#[derive(Debug)]
pub struct OutputFile {
    target: PathBuf,
    force: bool,
    new_file: NamedTempFile,
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
        std::fs::create_dir_all(home).map_err(OutputError::not_writable(target))?;
        let new_file = file_in_the_making(home).map_err(OutputError::not_writable(target))?;
        Ok(Self {
            target: path,
            force,
            new_file,
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
        let moved = if self.force {
            self.new_file.persist(&self.target)
        } else {
            self.new_file.persist_noclobber(&self.target)
        };
        moved.map_err(|refused| OutputError::not_writable(&self.target)(refused.error))?;
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

/// The folder that holds `path`: `.` for a bare name.
fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// Whether a folder holds nothing, or only the page of a clip that could not be measured.
fn has_no_result(folder: &Path) -> io::Result<bool> {
    Ok(names_in(folder)?.iter().all(|name| name == UNFINISHED_PAGE))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn names_in(folder: &Path) -> Vec<OsString> {
        super::names_in(folder).unwrap()
    }

    #[test]
    fn nothing_is_seen_of_a_folder_before_it_is_finished() {
        let home = tempfile::tempdir().unwrap();
        let target = home.path().join("a/b/results");
        let folder = OutputFolder::create(&target, false).unwrap();
        folder.write("one.csv", "1").unwrap();
        assert!(!target.exists());
        folder.finish().unwrap();
        assert_eq!(names_in(&target), ["one.csv"]);
        assert_eq!(names_in(target.parent().unwrap()), ["results"]);
    }

    #[test]
    fn a_folder_given_up_leaves_nothing_behind() {
        let home = tempfile::tempdir().unwrap();
        let folder = OutputFolder::create(&home.path().join("results"), false).unwrap();
        folder.write("one.csv", "1").unwrap();
        drop(folder);
        assert!(names_in(home.path()).is_empty());
    }

    #[test]
    fn force_replaces_its_own_files_and_leaves_the_others() {
        let target = tempfile::tempdir().unwrap();
        std::fs::write(target.path().join("one.csv"), "old").unwrap();
        std::fs::write(target.path().join("notes.txt"), "mine").unwrap();
        let refused = OutputFolder::create(target.path(), false).unwrap_err();
        assert!(matches!(refused, OutputError::AlreadyThere { .. }));

        let folder = OutputFolder::create(target.path(), true).unwrap();
        folder.write("one.csv", "new").unwrap();
        folder.finish().unwrap();
        assert_eq!(names_in(target.path()), ["notes.txt", "one.csv"]);
        let read = |name| std::fs::read_to_string(target.path().join(name)).unwrap();
        assert_eq!(
            (read("one.csv"), read("notes.txt")),
            ("new".into(), "mine".into())
        );
    }

    #[test]
    fn a_move_that_fails_half_way_puts_everything_back() {
        let home = tempfile::tempdir().unwrap();
        let (from, target) = (home.path().join("from"), home.path().join("target"));
        std::fs::create_dir_all(&from).unwrap();
        std::fs::create_dir_all(&target).unwrap();
        std::fs::write(from.join("a"), "new").unwrap();
        for name in ["a", "b"] {
            std::fs::write(target.join(name), "old").unwrap();
        }
        // There is no new `b`, so its move fails after the old one was put aside.
        let names = ["a", "b"].map(OsString::from);
        assert!(move_into(&names, &from, &target, &home.path().join("replaced")).is_err());
        for name in ["a", "b"] {
            let text = std::fs::read_to_string(target.join(name)).unwrap();
            assert_eq!(text, "old");
        }
    }
}
