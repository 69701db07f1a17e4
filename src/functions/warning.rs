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
    /// The surfaces of a function move, but their stick positions were not found.
    StationsNotFound {
        /// Name of the function.
        function: String,
        /// Why, in words.
        reason: String,
        /// What the person can do about it.
        help: String,
    },
}

impl Warning for FunctionsWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::SurfaceNotMeasured { .. } => "surface-not-measured",
            Self::StationsNotFound { .. } => "function-without-stations",
        }
    }

    fn text(&self) -> String {
        match self {
            Self::SurfaceNotMeasured {
                surface,
                reason,
                unmatched_with,
            } => {
                let unmatched = match unmatched_with.as_slice() {
                    [] => String::new(),
                    names => format!(", and so not matched with the {}", names.join(" and the ")),
                };
                format!("the {surface} was not measured{unmatched}: {reason}")
            }
            Self::StationsNotFound {
                function, reason, ..
            } => {
                format!(
                    "the function {function:?} moves in the clip, but was not measured: {reason}"
                )
            }
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::SurfaceNotMeasured { reason, .. } => reason.mend().into(),
            Self::StationsNotFound { help, .. } => help.clone(),
        }
    }
}
