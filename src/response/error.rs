//! Why responses could not be measured.

use thiserror::Error;

/// Why responses could not be measured.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ResponseError {
    /// A surface was never measured at neutral.
    #[error("{surface} was not measured in any frame at neutral ({frames} frames rest there)")]
    NeutralNotMeasured {
        /// Name of the surface.
        surface: String,
        /// Frames at neutral in which it should have been seen.
        frames: usize,
    },
}

impl ResponseError {
    /// What the user can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::NeutralNotMeasured { surface, .. } => format!(
                "keep the tag of {surface} in view, sharp and free of glare while the stick rests \
                 at 0; then film again"
            ),
        }
    }
}
