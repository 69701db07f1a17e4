//! One frame of a video that was read before, decoded from the key frame before it if possible.

use ffmpeg_the_third as libav;
use libav::picture;

use super::VideoReader;
use crate::clip::{ClipError, ClipOptions, Frame, GreyImage};

/// A single frame is looked for from a key frame at least this long before it. Containers find key
/// frames by the time of decoding, up to some frames before that of presentation, and frames
/// presented between the two may need the key frame before.
const KEY_FRAME_BEFORE_S: f64 = 0.5;

impl VideoReader {
    /// The frame with this index, which had this time when the clip was read before; `None` if the
    /// clip ends before it.
    pub(in crate::clip) fn frame(
        mut self,
        index: usize,
        time_s: f64,
    ) -> Result<Option<Frame>, ClipError> {
        if let Some(image) = self.image_from_key_frame(time_s) {
            return Ok(Some(Frame {
                index,
                time_s,
                image,
            }));
        }
        let (_, mut from_start) = Self::open(&self.path, &ClipOptions::default())?;
        let mut ignored = Vec::new();
        while let Some(frame) = from_start.next_frame(&mut ignored)? {
            if frame.index == index {
                return Ok(Some(frame));
            }
        }
        Ok(None)
    }

    /// The picture with this time, decoded from a key frame before it; `None` where seeking may give a
    /// different picture than reading from the start: times were rebuilt, frames are broken, or the
    /// container does not lead to a key frame.
    fn image_from_key_frame(&mut self, time_s: f64) -> Option<GreyImage> {
        let origin_s = self.timeline.origin_s()?;
        let ticks_per_s = 1.0 / f64::from(libav::rescale::TIME_BASE);
        let from = ((origin_s + time_s - KEY_FRAME_BEFORE_S) * ticks_per_s).floor() as i64;
        self.input.seek(from, ..=from).ok()?;
        self.decoder.flush();
        let failures_before = self.failures;
        let mut last_s = None;
        while self.decode().ok()? && self.failures == failures_before {
            if !self.watch.damaged().is_empty() {
                return None;
            }
            let decoded_s = self.decoded_s()? - origin_s;
            let goes_on = match last_s {
                None => self.decoded.kind() == picture::Type::I,
                Some(last_s) => decoded_s > last_s,
            };
            if !goes_on || decoded_s > time_s {
                return None;
            }
            if decoded_s == time_s {
                return self.take_luma().ok();
            }
            last_s = Some(decoded_s);
        }
        None
    }
}
