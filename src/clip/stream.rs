//! Reading in a thread of its own, a few frames ahead of the work on them.

use std::sync::mpsc::{Receiver, sync_channel};
use std::thread::JoinHandle;

use super::{Clip, ClipError, ClipInfo, ClipWarning, Frame};

/// How much is read ahead: enough to ride out frames that take long to decode (key frames) or to
/// search, little enough that nobody misses the memory. Colours, which lie beside the luma in a
/// decoded frame, are not counted; they add half as much in most videos.
const READ_AHEAD_BYTES: usize = 40 << 20;

/// Frames that are read ahead of the largest pictures, and of the smallest.
const READ_AHEAD_FRAMES: [usize; 2] = [4, 24];

/// The frames of a clip while a thread of their own reads on.
///
/// Iterate by reference and call [`FrameStream::finish`] afterwards for the doubts that arose.
/// Nothing follows after the last frame or after an error. Dropping it stops the reading.
pub struct FrameStream {
    info: ClipInfo,
    frames: Option<Receiver<Result<Frame, ClipError>>>,
    reader: Option<JoinHandle<Vec<ClipWarning>>>,
}

impl FrameStream {
    pub(super) fn start(clip: Clip) -> Result<Self, ClipError> {
        let info = clip.info().clone();
        let frame_bytes = (info.width_px * info.height_px).max(1);
        let [least, most] = READ_AHEAD_FRAMES;
        let (sender, receiver) = sync_channel((READ_AHEAD_BYTES / frame_bytes).clamp(least, most));
        let reader = std::thread::Builder::new()
            .name("clip reader".into())
            .spawn(move || {
                let mut clip = clip;
                let mut warnings = Vec::new();
                while let Some(next) = clip.next_frame(&mut warnings).transpose() {
                    let failed = next.is_err();
                    // A closed channel means that nobody wants more frames.
                    if sender.send(next).is_err() || failed {
                        break;
                    }
                }
                warnings
            })
            .map_err(|source| ClipError::Thread { source })?;
        Ok(Self {
            info,
            frames: Some(receiver),
            reader: Some(reader),
        })
    }

    /// What is known before the frames are read.
    pub fn info(&self) -> &ClipInfo {
        &self.info
    }

    /// Ends the reading and hands over what the reader had doubts about, which is complete only if
    /// all frames were taken.
    pub fn finish(mut self) -> Vec<ClipWarning> {
        self.stop()
    }

    /// A panic of the reader goes on here: frames must not end early in silence.
    fn stop(&mut self) -> Vec<ClipWarning> {
        self.frames = None;
        match self.reader.take().map(JoinHandle::join) {
            None => Vec::new(),
            Some(Ok(warnings)) => warnings,
            Some(Err(panic)) => std::panic::resume_unwind(panic),
        }
    }
}

impl Iterator for FrameStream {
    type Item = Result<Frame, ClipError>;

    fn next(&mut self) -> Option<Self::Item> {
        self.frames.as_ref()?.recv().ok()
    }
}

impl Drop for FrameStream {
    fn drop(&mut self) {
        self.frames = None;
        if let Some(reader) = self.reader.take() {
            // The reader stops at its next frame; its result is of no use to anyone any more.
            let _ = reader.join();
        }
    }
}
