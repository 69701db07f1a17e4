//! Clip: frames with their true presentation times, from a video file or a folder of stills.

use std::path::PathBuf;

/// A grey picture, row by row without padding.
#[derive(Debug, Clone, PartialEq)]
pub struct GreyImage {
    /// Width in pixels.
    pub width_px: usize,
    /// Height in pixels.
    pub height_px: usize,
    /// `width_px * height_px` code values.
    pub pixels: Vec<u8>,
}

/// The code values that stand for black and for white.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// Code value of black: 16 in limited-range video, 0 in pictures.
    pub black: u8,
    /// Code value of white: 235 in limited-range video, 255 in pictures.
    pub white: u8,
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
    /// Number of frames that the container claims; may be wrong, only for showing progress.
    pub claimed_frames: Option<u64>,
}
