//! Ids: how pages and programs name the files of the folder.
//!
//! An id is a fingerprint of a file's name inside the folder. It is the same after a restart, says
//! nothing about the computer, and never becomes a path: it is only compared with the ids of files
//! that are there.

use std::path::Path;

use crate::sighting_cache::Fingerprint;

/// The kind of thing that an id names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A model file.
    Aircraft,
    /// A camera profile.
    Camera,
    /// A clip, or a folder of stills.
    Clip,
    /// A folder with a measurement.
    Measurement,
}

impl Kind {
    fn letter(self) -> char {
        match self {
            Self::Aircraft => 'a',
            Self::Camera => 'c',
            Self::Clip => 'f',
            Self::Measurement => 'm',
        }
    }
}

/// The id of a file by its name inside the folder.
pub fn id(kind: Kind, inside: &Path) -> String {
    let name = inside.to_string_lossy();
    let fingerprint = Fingerprint::new().and(name.as_bytes()).value();
    format!("{}{fingerprint:016x}", kind.letter())
}

/// The id of a session, which begins with the letter of its kind: sessions have no file, so it is drawn
/// by lot.
///
/// # Errors
/// The system gives no random numbers.
pub fn fresh(letter: char) -> std::io::Result<String> {
    let secret = super::devices::secret()?;
    Ok(format!("{letter}{}", &secret[..16]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_stay_the_same_and_show_no_name() {
        // FNV-1a of "a", as its authors publish it: af63dc4c8601ec8c.
        assert_eq!(id(Kind::Aircraft, Path::new("a")), "aaf63dc4c8601ec8c");
        assert_eq!(id(Kind::Clip, Path::new("a")), "faf63dc4c8601ec8c");
        assert_ne!(
            id(Kind::Clip, Path::new("clips/a.mp4")),
            id(Kind::Clip, Path::new("clips/b.mp4"))
        );
    }
}
