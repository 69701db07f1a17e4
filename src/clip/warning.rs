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
        /// Times of those that the clip never handed on, seconds.
        withheld_s: Vec<f64>,
        /// Exact times of those that it handed on before the damage showed, seconds.
        handed_on_s: Vec<f64>,
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
    /// Whether the frame that was handed on with this time is damaged.
    fn is_damaged_at(&self, time_s: f64) -> bool {
        let Self::FramesLost { handed_on_s, .. } = self else {
            return false;
        };
        handed_on_s.contains(&time_s)
    }
}

/// Removes the findings of frames that the clip handed on before their damage showed.
pub fn drop_damaged<Finding>(
    findings: &mut Vec<Finding>,
    time_s: impl Fn(&Finding) -> f64,
    warnings: &[ClipWarning],
) {
    findings.retain(|finding| {
        let time_s = time_s(finding);
        !warnings.iter().any(|warning| warning.is_damaged_at(time_s))
    });
}

/// Lost frames less than this apart are named as one span, s.
const SPAN_GAP_S: f64 = 1.0;

/// The first and the last of times that are close together.
fn spans(mut times_s: Vec<f64>) -> Vec<[f64; 2]> {
    times_s.sort_by(f64::total_cmp);
    let mut spans_s: Vec<[f64; 2]> = Vec::new();
    for time_s in times_s {
        match spans_s.last_mut() {
            Some([_, last_s]) if time_s - *last_s <= SPAN_GAP_S => *last_s = time_s,
            _ => spans_s.push([time_s, time_s]),
        }
    }
    spans_s
}

/// Damaged parts that are named by their times.
const MOST_SPANS_NAMED: usize = 5;

fn counted(frames: usize) -> String {
    match frames {
        1 => "1 frame".into(),
        several => format!("{several} frames"),
    }
}

fn spans_in_words(spans_s: &[[f64; 2]]) -> String {
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
            Self::FramesLost {
                withheld_s,
                handed_on_s,
            } => {
                let lost_s = [withheld_s.as_slice(), handed_on_s].concat();
                let were = if lost_s.len() == 1 { "was" } else { "were" };
                format!(
                    "the clip is damaged: {} {were} left out, {}",
                    counted(lost_s.len()),
                    spans_in_words(&spans(lost_s))
                )
            }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn lost(withheld_s: &[f64], handed_on_s: &[f64]) -> ClipWarning {
        ClipWarning::FramesLost {
            withheld_s: withheld_s.into(),
            handed_on_s: handed_on_s.into(),
        }
    }

    #[test]
    fn intact_frames_between_damaged_ones_are_kept() {
        // One span in words; the frames between are intact, and a frame that was never handed on has
        // only a rough time, which may be that of an intact one.
        let lost = lost(&[2.5], &[2.0, 2.0 + 1.0 / 3.0, 2.9]);
        let mut frames_s = vec![1.9, 2.0, 2.1, 2.0 + 1.0 / 3.0, 2.5, 2.6, 2.9, 3.0];
        drop_damaged(&mut frames_s, |&time_s| time_s, &[lost]);
        assert_eq!(frames_s, [1.9, 2.1, 2.5, 2.6, 3.0]);
    }

    #[test]
    fn lost_frames_that_are_close_together_are_named_as_one_span() {
        assert_eq!(
            lost(&[4.5, 1.0], &[1.5, 2.0]).text(),
            "the clip is damaged: 4 frames were left out, from 1.00 s to 2.00 s, at 4.50 s"
        );
        assert_eq!(
            lost(&[1.0], &[]).text(),
            "the clip is damaged: 1 frame was left out, at 1.00 s"
        );
    }
}
