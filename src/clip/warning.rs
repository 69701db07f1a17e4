//! What the clip stage doubts, though it read on.

use serde::{Deserialize, Serialize};

use crate::warning::Warning;

/// A doubt about a clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum ClipWarning {
    /// Frames of the clip carried no usable time.
    TimesRebuilt {
        /// How many times were rebuilt.
        rebuilt: usize,
        /// Where the first of them lies, seconds.
        first_s: f64,
    },
    /// Frames within the clip are damaged, or were predicted from damaged ones.
    FramesLost {
        /// How many.
        lost: usize,
        /// Times of the first and the last frame of each damaged part, seconds.
        spans_s: Vec<[f64; 2]>,
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

impl ClipWarning {
    /// Whether a frame of this time lies in a damaged part of the clip.
    pub fn is_damaged_at(&self, time_s: f64) -> bool {
        let Self::FramesLost { spans_s, .. } = self else {
            return false;
        };
        spans_s
            .iter()
            .any(|[from_s, to_s]| (*from_s..=*to_s).contains(&time_s))
    }
}

/// Damaged parts that are named by their times.
const MOST_SPANS_NAMED: usize = 5;

fn counted(frames: usize) -> String {
    match frames {
        1 => "1 frame".into(),
        several => format!("{several} frames"),
    }
}

fn spans(spans_s: &[[f64; 2]]) -> String {
    let named = spans_s.iter().take(MOST_SPANS_NAMED);
    let mut texts: Vec<String> = named
        .map(|&[from_s, to_s]| match from_s < to_s {
            true => format!("from {from_s:.2} s to {to_s:.2} s"),
            false => format!("at {from_s:.2} s"),
        })
        .collect();
    if let Some(more @ 1..) = spans_s.len().checked_sub(MOST_SPANS_NAMED) {
        texts.push(format!("and in {more} more places"));
    }
    texts.join(", ")
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
            Self::FramesLost { lost, spans_s } => format!(
                "the clip is damaged: {} {} out, {}",
                counted(*lost),
                if *lost == 1 { "was left" } else { "were left" },
                spans(spans_s)
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
                "copy the clip from the camera again; if it is damaged there as well, film again"
                    .into()
            }
            Self::EndsEarly { .. } => {
                "the existing part was measured; copy the clip from the camera again to get the rest"
                    .into()
            }
        }
    }
}
