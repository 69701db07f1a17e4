//! Mistakes that people make, and what the program says: a wrong number never comes without a word.

mod geometry;
mod overexposed;
mod pictures;
mod rates;

use hingewise::clip::{ClipInfo, Levels, Lines, Transfer};

/// A clip of full-range pictures of this width and height.
fn clip_of([width_px, height_px]: [usize; 2]) -> ClipInfo {
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
