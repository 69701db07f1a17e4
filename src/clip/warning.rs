//! What the clip stage doubts, though it read on.

use serde::{Deserialize, Serialize};

use crate::warning::Warning;

/// A doubt about a clip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum ClipWarning {
    /// Frames of the clip carried no usable time.
    TimesRebuilt {
        /// How many times were rebuilt.
        rebuilt: usize,
        /// Where the first of them lies, seconds.
        first_s: f64,
    },
    /// Frames within the clip could not be decoded.
    FramesLost {
        /// How many.
        lost: u64,
        /// Time of the last good frame when the first loss was noticed, seconds.
        first_after_s: f64,
    },
    /// The clip breaks off before the end that its container claims.
    EndsEarly {
        /// Number of frames that could be decoded.
        frames: usize,
        /// Time of the last frame that could be decoded, seconds.
        end_s: f64,
        /// Length that the container claims, seconds.
        claimed_s: Option<f64>,
        /// Number of frames that the container claims.
        claimed_frames: Option<u64>,
    },
}

impl Warning for ClipWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::TimesRebuilt { .. } => "frame-times-rebuilt",
            Self::FramesLost { .. } => "frames-lost",
            Self::EndsEarly { .. } => "clip-ends-early",
        }
    }

    fn text(&self) -> String {
        match self {
            Self::TimesRebuilt { rebuilt, first_s } => format!(
                "{rebuilt} frames, the first near {first_s:.3} s, have no usable time; they were \
                 placed evenly between their neighbours"
            ),
            Self::FramesLost {
                lost,
                first_after_s,
            } => format!(
                "{lost} frames, the first after {first_after_s:.3} s, are damaged and were left \
                 out; the frames that follow them may be smeared"
            ),
            Self::EndsEarly {
                frames,
                end_s,
                claimed_s,
                claimed_frames,
            } => {
                let claim = match (claimed_frames, claimed_s) {
                    (Some(claimed), _) => format!("it should have {claimed} frames"),
                    (None, Some(claimed_s)) => format!("it should last {claimed_s:.3} s"),
                    (None, None) => "it should be longer".into(),
                };
                format!("the clip ends at {end_s:.3} s after {frames} frames, but {claim}")
            }
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::TimesRebuilt { .. } => {
                "use the clip as the camera recorded it; conversions may damage the times".into()
            }
            Self::FramesLost { .. } => {
                "copy the clip from the camera again; if it is broken there, film again".into()
            }
            Self::EndsEarly { .. } => {
                "the existing part was measured; copy the clip from the camera again to get the rest"
                    .into()
            }
        }
    }
}
