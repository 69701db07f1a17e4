//! Opens the container and the decoder of a video, and refuses what no camera makes.

use std::ffi::OsString;
use std::io::Read;
use std::path::Path;

use ffmpeg_the_third as libav;
use libav::codec::field_order::FieldOrder;
use libav::format::stream::{Disposition, Stream};
use libav::{codec, format, media};

use super::{ClipError, MAX_PIXELS};
use crate::bounded_file;
use crate::foreign::mark_new_pictures;

/// Containers that are opened, by libav's names. Naming them keeps playlists out, which would make
/// libav open other files or the network.
const CONTAINERS: &str = "mov,mp4,avi,matroska,webm,mpegts";

/// Threads of the decoder for the largest pictures, and for those up to [`SMALL_PICTURE_PIXELS`].
/// Frames wait for each other, so that two threads leave two cores, which most computers have at
/// least, with pauses; more threads fill them, but each holds frames of its own: 4K HEVC of ten bits
/// takes 310 MB with two, 390 MB with four.
/// The same on every machine, because what a decoder makes of the frames after a broken one depends
/// on it.
const DECODER_THREADS: [usize; 2] = [3, 5];

/// Pictures up to twice 1080p.
const SMALL_PICTURE_PIXELS: u64 = 2 * 1920 * 1080;

/// Whether the decoder leaves pictures unfinished without a word; that of H.264 makes up what is missing,
/// and says so.
pub(super) fn is_to_be_marked(codec: codec::Id) -> bool {
    codec == codec::Id::HEVC
}

/// Whether each packet of a codec brings one picture. Others hide pictures that are only predicted from.
pub(super) fn one_picture_a_packet(codec: codec::Id) -> bool {
    matches!(codec, codec::Id::H264 | codec::Id::HEVC)
}

pub(super) fn open_container(path: &Path) -> Result<format::context::Input, ClipError> {
    let mut head = Vec::new();
    bounded_file::open(path)
        .and_then(|file| file.take(64).read_to_end(&mut head))
        .map_err(|source| ClipError::opening(path, source))?;
    // With its scheme, a path cannot be taken for an address.
    let mut address = OsString::from("file:");
    address.push(path);
    let options = libav::dict! {
        "format_whitelist" => CONTAINERS,
        "protocol_whitelist" => "file",
    };
    format::input_with_dictionary(address, options).map_err(|_| {
        let path = path.into();
        if head.is_empty() {
            ClipError::EmptyFile { path }
        } else if image::guess_format(&head).is_ok() {
            ClipError::SinglePicture { path }
        } else if head.get(4..8) == Some(b"ftyp") {
            ClipError::IndexMissing { path }
        } else {
            ClipError::NotAVideo { path }
        }
    })
}

/// The track with the film, which is no cover picture.
pub(super) fn video_track<'a>(
    input: &'a format::context::Input,
    path: &Path,
) -> Result<Stream<'a>, ClipError> {
    input
        .streams()
        .best(media::Type::Video)
        .filter(|stream| !stream.disposition().contains(Disposition::ATTACHED_PIC))
        .ok_or_else(|| ClipError::NoVideoTrack { path: path.into() })
}

/// Refuses pictures that no camera model here describes: lines of two moments, or pixels that are not
/// square.
pub(super) fn check_pictures(path: &Path, stream: &Stream) -> Result<(), ClipError> {
    let parameters = stream.parameters();
    if matches!(
        parameters.field_order(),
        FieldOrder::TT | FieldOrder::BB | FieldOrder::TB | FieldOrder::BT
    ) {
        return Err(ClipError::Interlaced { path: path.into() });
    }
    let declared = [
        stream.sample_aspect_ratio(),
        parameters.sample_aspect_ratio(),
    ];
    for ratio in declared {
        // Zero stands for "unknown".
        let (width, height) = (ratio.numerator(), ratio.denominator());
        if width > 0 && height > 0 && width != height {
            return Err(ClipError::NotSquare {
                path: path.into(),
                ratio: (width, height),
            });
        }
    }
    Ok(())
}

pub(super) fn open_decoder(
    path: &Path,
    stream: &Stream,
) -> Result<codec::decoder::Video, ClipError> {
    let parameters = stream.parameters();
    let (width_px, height_px) = (parameters.width(), parameters.height());
    let pixels = u64::from(width_px) * u64::from(height_px);
    if pixels > MAX_PIXELS {
        return Err(ClipError::TooLarge {
            path: path.into(),
            width_px,
            height_px,
        });
    }
    let no_decoder = |_| match parameters.id() {
        codec::Id::None => ClipError::NoCodec { path: path.into() },
        codec => ClipError::NoDecoder {
            path: path.into(),
            codec: codec.name().into(),
        },
    };
    let mut context = codec::Context::from_parameters(stream.parameters()).map_err(no_decoder)?;
    let mut threading = codec::threading::Config::kind(codec::threading::Type::Frame);
    let [for_large, for_small] = DECODER_THREADS;
    threading.count = if pixels > SMALL_PICTURE_PIXELS {
        for_large
    } else {
        for_small
    };
    context.set_threading(threading);
    if is_to_be_marked(parameters.id()) {
        mark_new_pictures(&mut context);
    }
    context.decoder().video().map_err(no_decoder)
}
