//! Vision: the only room that talks to OpenCV.
//!
//! It finds and decodes markers and chessboards roughly; [`crate::tags`] and the calibration
//! measure exact corners. Only [`markers`] depends on the generation of OpenCV's marker module.

mod boards;
mod landmarks;
mod markers;
mod pictures;
mod search_picture;

use std::sync::LazyLock;

pub use boards::{find_chessboard, largest_chessboard};
pub use landmarks::{KeepOut, corners_to_follow};
pub use markers::{Dictionary, Found, FoundMarker, MarkerFinder, SearchEffort};
pub use pictures::{enlarged, reduced};

/// The version of OpenCV that is running.
pub fn library_version() -> String {
    opencv::core::get_version_string().unwrap_or_default()
}

/// OpenCV refused a call.
#[derive(Debug, thiserror::Error)]
#[error("the vision library failed: {0}")]
pub struct VisionError(#[from] opencv::Error);

/// Decoding keeps the other cores busy, and waiting threads of the library would spin. The library
/// is configured once, before any search: it crashes if it is configured while another thread
/// searches.
fn keep_to_one_thread() -> Result<(), VisionError> {
    static CONFIGURED: LazyLock<Result<(), String>> =
        LazyLock::new(|| opencv::core::set_num_threads(1).map_err(|error| error.message));
    match &*CONFIGURED {
        Ok(()) => Ok(()),
        Err(message) => Err(opencv::Error::new(opencv::core::StsError, message.clone()).into()),
    }
}
