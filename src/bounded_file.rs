//! Reads files that a person names: only regular files, and only up to a limit.
//!
//! A device never ends, a pipe may never begin, and a file can grow while it is read. So the limit is
//! counted while reading, and nothing but a regular file is opened for it.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// Opens a regular file for reading. Links are followed: the person named them.
///
/// # Errors
/// It cannot be opened, or is a folder, a pipe or a device.
pub(crate) fn open(path: &Path) -> io::Result<File> {
    let mut options = File::options();
    options.read(true);
    // Opening a pipe would wait for whoever writes to it.
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(&mut options, libc::O_NONBLOCK);
    let file = options.open(path)?;
    if file.metadata()?.is_file() {
        return Ok(file);
    }
    let what = "it is no regular file";
    Err(io::Error::new(io::ErrorKind::InvalidInput, what))
}

/// The bytes of a regular file.
///
/// # Errors
/// It cannot be read, or is larger than `most_bytes` ([`io::ErrorKind::FileTooLarge`]).
pub(crate) fn read(path: &Path, most_bytes: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path)?.take(most_bytes + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 <= most_bytes {
        return Ok(bytes);
    }
    let what = format!("it is larger than {} MB", most_bytes >> 20);
    Err(io::Error::new(io::ErrorKind::FileTooLarge, what))
}

/// The text of a regular file, as [`read`].
///
/// # Errors
/// As [`read`], and where the bytes are no UTF-8.
pub(crate) fn read_text(path: &Path, most_bytes: u64) -> io::Result<String> {
    let no_text = |_| io::Error::new(io::ErrorKind::InvalidData, "it is no text in UTF-8");
    String::from_utf8(read(path, most_bytes)?).map_err(no_text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_just_the_limit_is_read_and_one_byte_more_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("text");
        std::fs::write(&path, "12345").unwrap();
        assert_eq!(read_text(&path, 5).unwrap(), "12345");
        let refused = read_text(&path, 4).unwrap_err();
        assert_eq!(refused.kind(), io::ErrorKind::FileTooLarge);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_device_without_an_end_is_refused() {
        let refused = read(Path::new("/dev/zero"), 5).unwrap_err();
        assert!(refused.to_string().contains("no regular file"), "{refused}");
    }
}
