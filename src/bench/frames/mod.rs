//! Frames: pictures of a running camera on their way in, for live sessions and for calibrations.
//!
//! | file | holds |
//! | --- | --- |
//! | `body` | a frame as it arrives |
//! | `turns` | one frame in work, the newest waits |

pub mod body;
pub mod turns;

use nalgebra::Point2;

/// A point of a picture to a tenth of a pixel, for drawing: nobody sees more.
pub fn tenth_px(point_px: Point2<f64>) -> [f64; 2] {
    [point_px.x, point_px.y].map(|value| (10.0 * value).round() / 10.0)
}
