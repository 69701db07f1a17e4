//! What the program is given as the clip of rendered pictures.

use hingewise::clip::{ClipInfo, Levels, Lines, Transfer};

/// A clip of full-range pictures of this width and height.
pub fn full_range_clip([width_px, height_px]: [usize; 2]) -> ClipInfo {
    ClipInfo {
        path: "made up".into(),
        width_px,
        height_px,
        levels: Levels {
            black: 0,
            white: 255,
        },
        transfer: Transfer::Power,
        lines: Lines::Rows,
        claimed_frames: None,
    }
}
