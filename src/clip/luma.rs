//! The luma plane of decoded video frames as 8-bit grey, without colour conversion.

use ffmpeg_the_third::color::Range;
use ffmpeg_the_third::format::Pixel;
use ffmpeg_the_third::frame::Video;

use super::pixels::Pixels;
use super::turn::{Rows, Turn};
use super::{GreyImage, Levels};
use crate::foreign::mark_of_row;

/// How a plane stores luma.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Coding {
    /// One byte a pixel.
    Byte,
    /// Ten bits in the low end of a little-endian word.
    TenLow,
    /// Ten bits in the high end of a little-endian word.
    TenHigh,
}

impl Coding {
    fn bytes_per_pixel(self) -> usize {
        match self {
            Self::Byte => 1,
            Self::TenLow | Self::TenHigh => 2,
        }
    }
}

/// How the first plane of a pixel format stores luma; `None` if it holds anything else.
fn coding(format: Pixel) -> Option<Coding> {
    match format {
        Pixel::YUV420P
        | Pixel::YUVJ420P
        | Pixel::YUV422P
        | Pixel::YUVJ422P
        | Pixel::YUV444P
        | Pixel::YUVJ444P
        | Pixel::YUV440P
        | Pixel::YUVJ440P
        | Pixel::YUV411P
        | Pixel::YUV410P
        | Pixel::NV12
        | Pixel::NV21
        | Pixel::GRAY8 => Some(Coding::Byte),
        Pixel::YUV420P10LE | Pixel::YUV422P10LE | Pixel::YUV444P10LE | Pixel::GRAY10LE => {
            Some(Coding::TenLow)
        }
        Pixel::P010LE => Some(Coding::TenHigh),
        _ => None,
    }
}

/// The name that people know a pixel format by.
pub(super) fn format_name(format: Pixel) -> String {
    format
        .descriptor()
        .map_or_else(|| format!("{format:?}"), |known| known.name().to_owned())
}

/// The levels of a frame: limited unless its range or its format says full. Grey without a stated
/// range is full, as the libraries that write it hold.
pub(super) fn levels(frame: &Video) -> Levels {
    let full_by_format = matches!(
        frame.format(),
        Pixel::YUVJ420P
            | Pixel::YUVJ422P
            | Pixel::YUVJ440P
            | Pixel::YUVJ444P
            | Pixel::GRAY8
            | Pixel::GRAY10LE
    );
    match frame.color_range() {
        Range::JPEG => Levels::FULL,
        Range::MPEG => Levels::LIMITED,
        Range::Unspecified if full_by_format => Levels::FULL,
        Range::Unspecified => Levels::LIMITED,
    }
}

/// Side of the squares that are checked for undecoded memory, px: the smallest that HEVC codes as a unit of its own
/// tree (ITU-T H.265, 7.4.3.2: coding tree blocks of 16, 32 or 64).
const MARKED_PX: usize = 16;

/// Whether a part of a frame still has the marks that its memory had before it was decoded.
pub(super) fn has_undecoded_part(frame: &Video) -> bool {
    let Ok(coding) = readable(frame) else {
        return false;
    };
    let (width_px, height_px) = (frame.width() as usize, frame.height() as usize);
    let (bytes, stride) = (frame.data(0), frame.stride(0));
    let is_marked = |left_px: usize, top_px: usize| {
        let column = (left_px + MARKED_PX / 2) * coding.bytes_per_pixel();
        (top_px..top_px + MARKED_PX).all(|row| {
            let at = row * stride + column;
            let pixel = &bytes[at..at + coding.bytes_per_pixel()];
            pixel.iter().all(|&byte| byte == mark_of_row(row))
        })
    };
    let squares = |side_px: usize| (0..side_px / MARKED_PX).map(|square| square * MARKED_PX);
    squares(height_px).any(|top_px| squares(width_px).any(|left_px| is_marked(left_px, top_px)))
}

/// How the luma of a frame is coded, if its rows lie one behind the other. The bindings return a
/// negative line size as a huge number; reading with it would leave the plane.
fn readable(frame: &Video) -> Result<Coding, NoLuma> {
    let coding = coding(frame.format()).ok_or(NoLuma::Format)?;
    if frame.planes() == 0 {
        return Err(NoLuma::Rows);
    }
    let least = frame.width() as usize * coding.bytes_per_pixel();
    let fits = frame.stride(0) >= least && i32::try_from(frame.stride(0)).is_ok();
    if fits { Ok(coding) } else { Err(NoLuma::Rows) }
}

/// Why a frame has no luma that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoLuma {
    /// Its format has no luma plane that is known here.
    Format,
    /// Its rows are stored from the last to the first, or overlap.
    Rows,
}

/// The luma of a frame, upright.
pub(super) fn upright_luma(frame: Video, turn: Turn) -> Result<GreyImage, NoLuma> {
    let coding = readable(&frame)?;
    let (width_px, height_px) = (frame.width() as usize, frame.height() as usize);
    if coding == Coding::Byte && turn == Turn::None && frame.stride(0) == width_px {
        return Ok(GreyImage {
            width_px,
            height_px,
            pixels: Pixels::of_decoded(frame),
        });
    }
    let plane = Rows {
        bytes: frame.data(0),
        stride: frame.stride(0),
        width_px,
        height_px,
    };
    Ok(match coding {
        Coding::Byte => turn.upright(plane),
        Coding::TenLow => turn.turned(eight_bits(plane, rounded_from_ten)),
        Coding::TenHigh => turn.turned(eight_bits(plane, |word| rounded_from_ten(word >> 6))),
    })
}

/// The picture in a plane of two bytes a pixel.
fn eight_bits(plane: Rows, byte_from_word: impl Fn(u16) -> u8) -> GreyImage {
    let mut pixels = Vec::with_capacity(plane.width_px * plane.height_px);
    for row in plane.bytes.chunks(plane.stride).take(plane.height_px) {
        let words = row[..2 * plane.width_px].chunks_exact(2);
        pixels.extend(words.map(|word| byte_from_word(u16::from_le_bytes([word[0], word[1]]))));
    }
    GreyImage {
        width_px: plane.width_px,
        height_px: plane.height_px,
        pixels: pixels.into(),
    }
}

/// Rounded, as cutting two bits off would darken every picture by 3/8 of a level.
fn rounded_from_ten(word: u16) -> u8 {
    (word.saturating_add(2) >> 2).min(255) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_bits_keep_the_nominal_levels() {
        // ITU-R BT.709 item 4.6: black 64 and white 940 in ten bits are 16 and 235 in eight.
        assert_eq!(rounded_from_ten(64), 16);
        assert_eq!(rounded_from_ten(940), 235);
        assert_eq!(rounded_from_ten(1023), 255);
    }
}
