//! What a person should know about the functions of a clip.

use crate::motion::MotionError;
use crate::warning::Warning;

/// A doubt about what a clip shows of its functions.
#[derive(Debug, Clone, PartialEq)]
pub enum FunctionsWarning {
    /// A surface of a function in the clip was not measured.
    SurfaceNotMeasured {
        /// Name of the surface.
        surface: String,
        /// Why.
        reason: MotionError,
        /// Measured surfaces that it is not matched with.
        unmatched_with: Vec<String>,
    },
}

impl Warning for FunctionsWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::SurfaceNotMeasured { .. } => "surface-not-measured",
        }
    }

    fn text(&self) -> String {
        let Self::SurfaceNotMeasured {
            surface,
            reason,
            unmatched_with,
        } = self;
        let unmatched = match unmatched_with.as_slice() {
            [] => String::new(),
            names => format!(", and so not matched with the {}", names.join(" and the ")),
        };
        format!("the {surface} was not measured{unmatched}: {reason}")
    }

    fn mend(&self) -> String {
        let Self::SurfaceNotMeasured { reason, .. } = self;
        reason.mend().into()
    }
}
