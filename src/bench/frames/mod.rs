//! Frames: pictures of a running camera on their way in, for live sessions and for calibrations.
//!
//! | file | holds |
//! | --- | --- |
//! | `body` | a frame as it arrives |
//! | `turns` | one frame in work, the newest waits |

pub mod body;
pub mod turns;
