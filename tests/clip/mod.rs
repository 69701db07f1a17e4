//! Clips are read with their true times, the right way up, and bad ones are told apart.
#![allow(clippy::expect_used, clippy::unwrap_used)]

mod bad_stills;
mod bad_video;
mod stills;
mod video;

use std::path::{Path, PathBuf};

use hingewise::clip::{Clip, ClipError, ClipInfo, ClipOptions, ClipWarning, Frame};

/// All that a clip gives.
struct Read {
    info: ClipInfo,
    frames: Vec<Frame>,
    warnings: Vec<ClipWarning>,
}

impl Read {
    fn times_s(&self) -> Vec<f64> {
        self.frames.iter().map(|frame| frame.time_s).collect()
    }
}

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/clip")
        .join(name)
}

fn try_read(path: &Path, options: &ClipOptions) -> Result<Read, ClipError> {
    let mut stream = Clip::open(path, options)?.into_stream()?;
    let info = stream.info().clone();
    let frames = stream.by_ref().collect::<Result<_, _>>()?;
    let warnings = stream.finish();
    Ok(Read {
        info,
        frames,
        warnings,
    })
}

fn read(path: &Path) -> Read {
    try_read(path, &ClipOptions::default()).expect("a readable clip")
}

/// The error of a clip that must be refused.
fn refused(path: &Path, options: &ClipOptions) -> ClipError {
    match try_read(path, options) {
        Ok(read) => panic!("{} frames of {}", read.frames.len(), path.display()),
        Err(error) => error,
    }
}
