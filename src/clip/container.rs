//! What a video's container says of itself, before any frame is decoded.

use std::path::Path;

use ffmpeg_the_third as libav;

use super::ClipError;
use super::claim::Claim;
use super::opening::{open_container, video_track};

/// What a container says of its video track. None of it is checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Container {
    /// The codec, by libav's name: `h264`, `hevc`.
    pub codec: String,
    /// Length of the track, s.
    pub duration_s: Option<f64>,
    /// Mean rate, frames per second.
    pub frames_per_s: Option<f64>,
}

/// Looks at the container of a video file.
///
/// # Errors
/// The file is no video that is read here, or holds no video track.
pub fn container(path: &Path) -> Result<Container, ClipError> {
    libav::log::set_level(libav::log::Level::Quiet);
    let input = open_container(path)?;
    let stream = video_track(&input, path)?;
    let claim = Claim::of(&input, &stream);
    let rate = f64::from(stream.avg_frame_rate());
    Ok(Container {
        codec: stream.parameters().id().name().to_owned(),
        duration_s: claim.track_s.or(claim.container_s),
        frames_per_s: (rate.is_finite() && rate > 0.0).then_some(rate),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Codec, length and rate as ffprobe of FFmpeg 5.1 prints them.
    #[test]
    fn the_container_of_a_clip_is_read_without_its_frames() {
        let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/cards.mp4");
        let container = container(&sample).unwrap();
        assert_eq!(container.codec, "h264");
        assert!((container.duration_s.unwrap() - PROBED_S).abs() < 0.05);
        assert!((container.frames_per_s.unwrap() - PROBED_RATE).abs() < 0.01);
    }

    const PROBED_S: f64 = 11.766_667;
    const PROBED_RATE: f64 = 30.0;
}
