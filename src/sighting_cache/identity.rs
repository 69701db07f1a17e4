//! Identity: the text that identifies a search. Two searches with the same text have the same
//! sightings.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use super::fingerprint::Fingerprint;
use crate::clip::{self, ClipInfo, ClipOptions};
use crate::tags::TagPlan;
use crate::vision;

/// Number of bytes at both ends of a file that are read: the header and the index of a video are
/// there, and size and date cover the rest.
const LOOKED_AT_BYTES: u64 = 1 << 16;

/// The clip, the tags and the program of a search.
///
/// # Errors
///
/// The clip cannot be accessed.
pub(super) fn identity(
    info: &ClipInfo,
    options: &ClipOptions,
    plan: &TagPlan,
) -> io::Result<String> {
    let mut text = format!(
        "hingewise {} of sources {}, libavcodec {}, OpenCV {}\n",
        env!("CARGO_PKG_VERSION"),
        env!("HINGEWISE_SOURCES"),
        clip::decoder_version(),
        vision::library_version()
    );
    // Writing to a text cannot fail.
    let _ = writeln!(
        text,
        "tags {:?}, on the airframe {:?}, cards {:?}",
        plan.expected, plan.airframe, plan.cards
    );
    let _ = writeln!(
        text,
        "fps {:?}, picture {} × {}, {:?}, {:?}",
        options.fps, info.width_px, info.height_px, info.levels, info.transfer
    );
    for file in files_of(&fs::canonicalize(&info.path)?)? {
        let _ = writeln!(text, "{}", of_file(&file)?);
    }
    Ok(text)
}

/// The video itself, or all files of a folder by name.
fn files_of(path: &Path) -> io::Result<Vec<PathBuf>> {
    if !path.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let entries = fs::read_dir(path)?.map(|entry| entry.map(|entry| entry.path()));
    let mut files = entries.collect::<io::Result<Vec<_>>>()?;
    files.retain(|path| path.is_file());
    files.sort();
    Ok(files)
}

/// Path, size, date of the last change, and fingerprint of both ends.
fn of_file(path: &Path) -> io::Result<String> {
    let mut file = File::open(path)?;
    let metadata = file.metadata()?;
    let changed = metadata
        .modified()?
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    let size = metadata.len();
    let mut ends = Vec::new();
    file.by_ref().take(LOOKED_AT_BYTES).read_to_end(&mut ends)?;
    file.seek(SeekFrom::Start(size.saturating_sub(LOOKED_AT_BYTES)))?;
    file.take(LOOKED_AT_BYTES).read_to_end(&mut ends)?;
    Ok(format!(
        "{path:?}, {size} bytes, changed {} ns, ends {:016x}",
        changed.as_nanos(),
        Fingerprint::new().and(&ends).value()
    ))
}
