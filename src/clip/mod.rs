//! Clip: frames with their true presentation times, from a video file or a folder of stills.
//!
//! ```no_run
//! use hingewise::clip::{Clip, ClipOptions};
//!
//! # fn main() -> Result<(), hingewise::clip::ClipError> {
//! let mut frames = Clip::open("clip.mp4".as_ref(), &ClipOptions::default())?.into_stream()?;
//! for frame in &mut frames {
//!     let frame = frame?;
//!     println!("{} at {:.3} s", frame.index, frame.time_s);
//! }
//! let warnings = frames.finish();
//! # Ok(())
//! # }
//! ```
//!
//! Only a few frames are in memory at any time, whatever the length of the clip.
//!
//! - **Times** are the presentation time stamps of the container, edit lists obeyed, counted from
//!   the first frame presented; they rise strictly. A folder takes its times from `times.csv`
//!   ([`stills_times`] states its columns) or from [`ClipOptions::fps`].
//! - **Pictures** are upright: the rotation of the container and the EXIF orientation of stills are
//!   obeyed. Their values are the luma of the file, neither scaled nor colour-converted;
//!   [`ClipInfo::levels`] says what black and white are.

mod claim;
mod container;
mod damage;
mod day;
mod error;
mod luma;
mod natural_order;
mod opening;
mod pixels;
mod seams;
mod stills;
pub mod stills_times;
mod stream;
mod timeline;
mod transfer;
mod turn;
mod video;
mod warning;

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

pub use container::{Container, container};
pub use day::day_of_file;
pub use error::{ClipError, TimesProblem};
pub use pixels::Pixels;
pub use stream::FrameStream;
pub use transfer::Transfer;
pub use video::decoder_version;
pub use warning::{ClipWarning, drop_damaged};

/// Largest picture that is read: above the 108 million pixels of the largest common phone
/// pictures, and small enough that a forged header cannot ask for more memory than a computer has.
pub const MAX_PIXELS: u64 = 1 << 27;

/// A grey picture, row by row without padding.
#[derive(Debug, Clone, PartialEq)]
pub struct GreyImage {
    /// Width in pixels.
    pub width_px: usize,
    /// Height in pixels.
    pub height_px: usize,
    /// `width_px * height_px` code values.
    pub pixels: Pixels,
}

/// The code values that stand for black and for white.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Levels {
    /// Code value of black: 16 in limited-range video, 0 in pictures.
    pub black: u8,
    /// Code value of white: 235 in limited-range video, 255 in pictures.
    pub white: u8,
}

impl Levels {
    /// Levels where the whole range of codes is used, as in JPEG (ITU-T T.871) and PNG.
    pub const FULL: Self = Self {
        black: 0,
        white: 255,
    };

    /// Levels of limited-range video, ITU-R BT.709 item 4.6 (8-bit coding).
    pub const LIMITED: Self = Self {
        black: 16,
        white: 235,
    };
}

/// One frame of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// Position in the clip, from 0, in the order of presentation.
    pub index: usize,
    /// Presentation time, seconds from the first frame.
    pub time_s: f64,
    /// The picture, turned upright.
    pub image: GreyImage,
}

/// How the lines of the sensor lie in the upright picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lines {
    /// The camera was held level, or upside down.
    Rows,
    /// The picture was turned upright by a quarter turn.
    Columns,
}

/// What is known of a clip before its frames are read.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipInfo {
    /// Video file or folder of stills.
    pub path: PathBuf,
    /// Width of the upright picture.
    pub width_px: usize,
    /// Height of the upright picture.
    pub height_px: usize,
    /// Code values of black and white.
    pub levels: Levels,
    /// How they stand for light.
    pub transfer: Transfer,
    /// The sensor's lines, which are read one after the other.
    pub lines: Lines,
    /// Number of frames that the container claims; may be wrong, only for showing progress.
    pub claimed_frames: Option<u64>,
}

/// How a clip is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ClipOptions {
    /// Pictures per second of a folder of stills that has no `times.csv`, or of a video whose
    /// frames carry no times.
    pub fps: Option<f64>,
    /// Stills need no times, as for a calibration: they get one second each.
    pub untimed: bool,
}

/// An open clip, read frame by frame in the order of presentation.
pub struct Clip {
    info: ClipInfo,
    source: Source,
}

enum Source {
    Video(Box<video::VideoReader>),
    Stills(stills::StillsReader),
}

impl Clip {
    /// Opens a video file or a folder of stills, and checks what can be checked without reading it
    /// all: the first frame of a video is decoded, the headers of all stills are read.
    pub fn open(path: &Path, options: &ClipOptions) -> Result<Self, ClipError> {
        if let Some(fps) = options.fps
            && !(fps.is_finite() && fps > 0.0)
        {
            return Err(ClipError::BadFps { fps });
        }
        let metadata =
            std::fs::metadata(path).map_err(|source| ClipError::opening(path, source))?;
        if !metadata.is_dir() && !metadata.is_file() {
            // Pipes and devices can be read only once, but headers are read twice.
            return Err(ClipError::NotAVideo { path: path.into() });
        }
        if metadata.is_dir() {
            let (info, reader) = stills::StillsReader::open(path, options)?;
            Ok(Self {
                info,
                source: Source::Stills(reader),
            })
        } else {
            let (info, reader) = video::VideoReader::open(path, options)?;
            Ok(Self {
                info,
                source: Source::Video(Box::new(reader)),
            })
        }
    }

    /// What is known before the frames are read.
    pub fn info(&self) -> &ClipInfo {
        &self.info
    }

    /// File names of the stills in the order of presentation; none for a video.
    pub fn still_names(&self) -> Vec<String> {
        match &self.source {
            Source::Video(_) => Vec::new(),
            Source::Stills(reader) => reader.names(),
        }
    }

    /// The frame at a position of a clip that was read to its end before, by its index and time;
    /// `None` where the clip ends before it. The same frame as reading them all gives, but as few
    /// as possible are decoded.
    pub fn frame(self, index: usize, time_s: f64) -> Result<Option<Frame>, ClipError> {
        match self.source {
            Source::Video(reader) => reader.frame(index, time_s),
            Source::Stills(reader) => reader.frame(index),
        }
    }

    /// The next frame; `None` after the last one, when all doubts have been pushed to `warnings`.
    pub fn next_frame(
        &mut self,
        warnings: &mut Vec<ClipWarning>,
    ) -> Result<Option<Frame>, ClipError> {
        match &mut self.source {
            Source::Video(reader) => reader.next_frame(warnings),
            Source::Stills(reader) => reader.next_frame(),
        }
    }

    /// Reads on in a thread of its own, so that reading overlaps with the work on the frames.
    pub fn into_stream(self) -> Result<FrameStream, ClipError> {
        FrameStream::start(self)
    }
}
