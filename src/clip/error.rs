//! What can be wrong with a clip, and what to do about it.

use std::io;
use std::path::{Path, PathBuf};

use super::MAX_PIXELS;

/// A clip cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ClipError {
    /// Nothing lies at the path.
    #[error("there is no file or folder `{}`", path.display())]
    Missing {
        /// The path that was asked for.
        path: PathBuf,
    },
    /// The system refuses to hand the file out.
    #[error("`{}` cannot be read: {source}", path.display())]
    Unreadable {
        /// The file or folder.
        path: PathBuf,
        /// The system's word.
        source: io::Error,
    },
    /// The file holds nothing at all.
    #[error("`{}` is empty", path.display())]
    EmptyFile {
        /// The file.
        path: PathBuf,
    },
    /// The file is in no video container that is known here.
    #[error("`{}` is not a video", path.display())]
    NotAVideo {
        /// The file.
        path: PathBuf,
    },
    /// A picture was given where a video or a folder was expected.
    #[error("`{}` is a single picture", path.display())]
    SinglePicture {
        /// The file.
        path: PathBuf,
    },
    /// An `.mp4` or `.mov` without its index, so that nothing in it can be found.
    #[error(
        "`{}` has no index of its frames (no moov box): the recording or the copy is incomplete",
        path.display()
    )]
    IndexMissing {
        /// The file.
        path: PathBuf,
    },
    /// Only sound, or only a cover picture.
    #[error("`{}` has no video track", path.display())]
    NoVideoTrack {
        /// The file.
        path: PathBuf,
    },
    /// The installed FFmpeg cannot decode this.
    #[error("`{}` is coded as {codec}, which the installed FFmpeg cannot decode", path.display())]
    NoDecoder {
        /// The file.
        path: PathBuf,
        /// FFmpeg's name of the codec.
        codec: String,
    },
    /// The container names no codec that is known, because it is damaged or forged.
    #[error("the header of `{}` is damaged: it does not say how the pictures are coded", path.display())]
    NoCodec {
        /// The file.
        path: PathBuf,
    },
    /// Each picture holds lines of two moments.
    #[error("the pictures of `{}` are interlaced: their even and odd lines are of two moments", path.display())]
    Interlaced {
        /// The file.
        path: PathBuf,
    },
    /// Pixels that are wider than high, or higher than wide.
    #[error("the pixels of `{}` are not square: {} wide, {} high", path.display(), ratio.0, ratio.1)]
    NotSquare {
        /// The file.
        path: PathBuf,
        /// Width and height of a pixel, in one unit.
        ratio: (i32, i32),
    },
    /// Uncompressed pictures with their rows from the last to the first.
    #[error("the pictures of `{}` are stored from the bottom row to the top row", path.display())]
    RowsBottomUp {
        /// The file.
        path: PathBuf,
    },
    /// The container is readable, but not one frame in it is.
    #[error("not one frame of `{}` can be decoded", path.display())]
    NothingDecodes {
        /// The file.
        path: PathBuf,
    },
    /// The frames hold no luma plane that is known here.
    #[error("the frames of `{}` have the pixel format {format}, which is not supported", path.display())]
    PixelFormat {
        /// The file.
        path: PathBuf,
        /// FFmpeg's name of the pixel format.
        format: String,
    },
    /// The picture is larger than anything a camera makes.
    #[error(
        "`{}` has {width_px} × {height_px} pixels; the limit is {} million",
        path.display(),
        MAX_PIXELS / 1_000_000
    )]
    TooLarge {
        /// The video or picture.
        path: PathBuf,
        /// Width that the file claims.
        width_px: u32,
        /// Height that the file claims.
        height_px: u32,
    },
    /// The file asks for its picture to be shown mirrored, and mirrored tags read as nothing.
    #[error("`{}` is marked to be shown mirrored", path.display())]
    Mirrored {
        /// The video or picture.
        path: PathBuf,
    },
    /// The file asks for a turn that is no quarter turn.
    #[error("`{}` is marked to be shown turned by {angle_deg:.1}°", path.display())]
    OddAngle {
        /// The video.
        path: PathBuf,
        /// Clockwise turn, degrees.
        angle_deg: f64,
    },
    /// The picture's size changes within a video.
    #[error(
        "the frames of `{}` change from {} × {} to {} × {} pixels after {time_s:.3} s",
        path.display(), first_px.0, first_px.1, then_px.0, then_px.1
    )]
    FrameSizeChanges {
        /// The video.
        path: PathBuf,
        /// Time of the last frame of the first size.
        time_s: f64,
        /// Width and height at first, as stored.
        first_px: (u32, u32),
        /// Width and height after the change, as stored.
        then_px: (u32, u32),
    },
    /// A video without time stamps and without a frame rate.
    #[error("the frames of `{}` have no times", path.display())]
    NoTimes {
        /// The video.
        path: PathBuf,
    },
    /// A rate was given for a video, which has times of its own.
    #[error("a rate in pictures per second was given, but `{}` is a video and has its own times", path.display())]
    FpsOfVideo {
        /// The video.
        path: PathBuf,
    },
    /// The rate is no positive number.
    #[error("{fps} is not a rate in pictures per second")]
    BadFps {
        /// What was given.
        fps: f64,
    },
    /// No PNG and no JPEG file in the folder.
    #[error("the folder `{}` has no PNG or JPEG picture ({others} other files)", folder.display())]
    NoStills {
        /// The folder.
        folder: PathBuf,
        /// How many files of other kinds lie there.
        others: usize,
    },
    /// A picture cannot be decoded.
    #[error("the picture `{}` cannot be read: {reason}", path.display())]
    BrokenStill {
        /// The picture.
        path: PathBuf,
        /// The decoder's word.
        reason: String,
    },
    /// Pictures of one folder must come from one camera in one mode.
    #[error(
        "pictures of different sizes: `{}` has {} × {} pixels, `{}` has {} × {}",
        first.display(), first_px.0, first_px.1, other.display(), other_px.0, other_px.1
    )]
    SizesDiffer {
        /// First picture of the folder.
        first: PathBuf,
        /// Its upright width and height.
        first_px: (usize, usize),
        /// First picture whose size differs.
        other: PathBuf,
        /// Its upright width and height.
        other_px: (usize, usize),
    },
    /// A folder of stills with neither `times.csv` nor a rate.
    #[error("the {stills} pictures in `{}` have no times", folder.display())]
    StillsWithoutTimes {
        /// The folder.
        folder: PathBuf,
        /// How many pictures lie there.
        stills: usize,
    },
    /// Both `times.csv` and a rate.
    #[error("`{}` has a times.csv, and a rate in pictures per second was given as well", folder.display())]
    TimesTwice {
        /// The folder.
        folder: PathBuf,
    },
    /// `times.csv` cannot be used.
    #[error("`{}`, line {line}: {problem}", path.display())]
    TimesFile {
        /// The `times.csv`.
        path: PathBuf,
        /// Line in it, from 1.
        line: u64,
        /// What is wrong there.
        problem: TimesProblem,
    },
    /// The system gave no thread for reading.
    #[error("cannot start a thread for reading the clip: {source}")]
    Thread {
        /// The system's word.
        source: io::Error,
    },
}

/// What is wrong in a `times.csv`.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TimesProblem {
    /// The first line names no `time_s`.
    #[error("there is no column `time_s`")]
    NoTimeColumn,
    /// The line is not CSV with the columns of the first one.
    #[error("{reason}")]
    Malformed {
        /// The reader's word.
        reason: String,
    },
    /// The time is not a number.
    #[error("`{text}` is not a time in seconds")]
    NotATime {
        /// What stands there.
        text: String,
    },
    /// Times must rise strictly.
    #[error("{time_s} s is not after {previous_s} s, the time of the picture before")]
    NotRising {
        /// The time on this line.
        time_s: f64,
        /// The time of the picture before it.
        previous_s: f64,
    },
    /// A file that is not in the folder.
    #[error("there is no picture `{file}` in the folder")]
    NoSuchStill {
        /// The name that stands there.
        file: String,
    },
    /// A picture that is named twice.
    #[error("the picture `{file}` is named a second time")]
    NamedTwice {
        /// The name that stands there.
        file: String,
    },
    /// A picture without a time.
    #[error("the picture `{file}` has no time: {times} times for {stills} pictures")]
    StillWithoutTime {
        /// First picture without a time.
        file: String,
        /// How many times stand in the file.
        times: usize,
        /// How many pictures lie in the folder.
        stills: usize,
    },
    /// More times than pictures, and no column that says whose they are.
    #[error("{times} times for {stills} pictures")]
    MoreTimesThanStills {
        /// How many times stand in the file.
        times: usize,
        /// How many pictures lie in the folder.
        stills: usize,
    },
}

impl ClipError {
    pub(super) fn opening(path: &Path, source: io::Error) -> Self {
        let path = path.into();
        match source.kind() {
            io::ErrorKind::NotFound => Self::Missing { path },
            _ => Self::Unreadable { path, source },
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "check the spelling and the folder you are in",
            Self::Unreadable { .. } => "check that you may read it and that its disk is connected",
            Self::EmptyFile { .. } | Self::IndexMissing { .. } => {
                "copy the clip from the camera again; if it is broken there as well, film again and \
                 end the recording before switching off"
            }
            Self::NotAVideo { .. } | Self::NoVideoTrack { .. } => {
                "use an .mp4 or .mov video as the phone records it, or a folder of PNG or JPEG \
                 pictures"
            }
            Self::SinglePicture { .. } => "use the folder that contains the pictures",
            Self::NoDecoder { .. } => {
                "install FFmpeg with this codec, or set the camera to H.264 (\"most compatible\")"
            }
            Self::Interlaced { .. } => {
                "set the camera to a progressive mode (1080p, not 1080i) and film again"
            }
            Self::NotSquare { .. } => {
                "give the clip as the camera recorded it, or convert it to square pixels and calibrate \
                 with clips converted the same way"
            }
            Self::RowsBottomUp { .. } | Self::PixelFormat { .. } => {
                "convert the clip to H.264 with the pixel format yuv420p, its size and frame times \
                 unchanged"
            }
            Self::NothingDecodes { .. } | Self::NoCodec { .. } => {
                "copy the clip from the camera again, and see whether a player shows it"
            }
            Self::TooLarge { .. } => {
                "use the picture as the camera made it; this one is not from a camera"
            }
            Self::Mirrored { .. } => "switch mirroring off in the camera and film again",
            Self::OddAngle { .. } => {
                "remove the rotation with the program that added it, or film again"
            }
            Self::FrameSizeChanges { .. } => "save each part as its own clip",
            Self::NoTimes { .. } => {
                "use the clip as the camera recorded it; conversions may drop the times"
            }
            Self::FpsOfVideo { .. } => "omit --fps",
            Self::BadFps { .. } => "use a number above 0, for example --fps 30",
            Self::NoStills { .. } => {
                "use the folder that contains the pictures themselves, saved as .png or .jpg"
            }
            Self::BrokenStill { .. } => {
                "copy the picture again, or remove it from the folder (and from times.csv)"
            }
            Self::SizesDiffer { .. } => {
                "keep only pictures of one camera in one mode and one orientation in the folder"
            }
            Self::StillsWithoutTimes { .. } => {
                "put a times.csv with the columns file,time_s in the folder, or use --fps"
            }
            Self::TimesTwice { .. } => "omit --fps, or remove times.csv",
            Self::TimesFile { .. } => {
                "times.csv needs a first line file,time_s and then one line per picture, in seconds; \
                 without the column file, one time per picture in the order of their names"
            }
            Self::Thread { .. } => "close other programs and try again",
        }
    }
}
