//! Outputs: checked before the long work, written whole or not at all.

mod file;
mod folder;
mod making;

use std::ffi::OsString;
use std::io;
use std::path::{Path, PathBuf};

use thiserror::Error;

pub use file::OutputFile;
pub use folder::OutputFolder;
pub use making::{BENCH_FOLDER, clean_up_on_signals};

use super::CommandError;
use crate::report::NamedFile;

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
    /// Another program is about to write the same.
    #[error("another run of hingewise is about to write {}", path.display())]
    BeingWritten {
        /// The folder.
        path: PathBuf,
    },
    /// The output would replace an input of the same command.
    #[error("{} is an input of this command", path.display())]
    IsInput {
        /// The file.
        path: PathBuf,
    },
    /// Standard output takes nothing more.
    #[error("cannot write the result to standard output")]
    NoStandardOutput {
        /// What the system says.
        #[source]
        cause: io::Error,
    },
    /// A file stands where a folder is asked for.
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
            Self::BeingWritten { .. } => "wait for it, or choose another name",
            Self::IsInput { .. } => "choose another name for the output",
            Self::NoStandardOutput { .. } => "send it to a place with room left",
            Self::NotAFolder { .. } => "choose a folder with --out",
            Self::NotAFile { .. } => "choose another name, or move that folder away",
            Self::NotWritable { .. } => "choose a place that you may write to, with room left",
        }
    }

    fn not_writable(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |cause| Self::NotWritable { path, cause }
    }
}

/// Refuses an output in the place of an input, whatever the person allows to be overwritten.
///
/// # Errors
/// [`OutputError::IsInput`].
pub fn spare_inputs(output: &Path, inputs: &[&Path]) -> Result<(), OutputError> {
    let Ok(place) = output.canonicalize() else {
        return Ok(());
    };
    let same = |input: &&Path| input.canonicalize().is_ok_and(|input| input == place);
    match inputs.iter().any(same) {
        true => Err(OutputError::IsInput {
            path: output.to_owned(),
        }),
        false => Ok(()),
    }
}

/// Writes all files of a folder and moves them into place.
pub fn write_files(files: Vec<NamedFile>, folder: OutputFolder) -> Result<(), CommandError> {
    for file in files {
        folder.write(&file.name, &file.bytes)?;
    }
    folder.finish()?;
    Ok(())
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

/// The folder that holds `path`: `.` for a bare name.
fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
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
