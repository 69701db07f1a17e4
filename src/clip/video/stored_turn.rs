//! The turn of a video's frames, from the display matrix that its track or its frames carry.

use std::path::Path;

use ffmpeg_the_third as libav;
use libav::format::stream::Stream;
use libav::frame::Video;

use crate::clip::ClipError;
use crate::clip::turn::{OddMatrix, Turn};

/// The turn that is stored with a track: FFmpeg before 8 keeps the display matrix there, later
/// versions keep it with the frames.
#[cfg(ffmpeg_before_8)]
pub(super) fn turn_of_track(stream: &Stream) -> Result<Turn, OddMatrix> {
    stream
        .side_data()
        .find(|data| data.kind() == libav::codec::packet::side_data::Type::DisplayMatrix)
        .map_or(Ok(Turn::None), |data| {
            Turn::from_display_matrix(data.data())
        })
}

/// Later versions of FFmpeg keep no display matrix with the track.
#[cfg(not(ffmpeg_before_8))]
pub(super) fn turn_of_track(_stream: &Stream) -> Result<Turn, OddMatrix> {
    Ok(Turn::None)
}

/// The turn that is stored with a frame.
pub(super) fn turn_of_frame(frame: &Video) -> Option<Result<Turn, OddMatrix>> {
    frame
        .side_data(libav::frame::side_data::Type::DisplayMatrix)
        .map(|data| Turn::from_display_matrix(data.data()))
}

/// The error for a display matrix that is not a turn.
pub(super) fn odd_turn(path: &Path, odd: OddMatrix) -> ClipError {
    let path = path.into();
    match odd {
        OddMatrix::Mirrored => ClipError::Mirrored { path },
        OddMatrix::Angle { angle_deg } => ClipError::OddAngle { path, angle_deg },
    }
}
