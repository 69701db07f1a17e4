//! What the person should know about a result that was obtained all the same.

use serde::{Deserialize, Serialize};

use crate::clip::ClipWarning;
use crate::matching::MatchingWarning;
use crate::motion::MotionWarning;
use crate::response::ResponseWarning;
use crate::stations::StationsWarning;

/// A doubt about the result, with the figure that raised it and the threshold it passed.
///
/// Stages push into a `Vec<Warning>` that the command hands them; the report, the JSON and the
/// terminal print it once, at the end.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// What a correction does not cure or tell.
    Matching(MatchingWarning),
    /// A doubt about the clip.
    Clip(ClipWarning),
    /// A doubt about the holds.
    Stations(StationsWarning),
    /// A doubt about a surface or its response.
    Response(ResponseWarning),
    /// A doubt about the fit.
    Motion(MotionWarning),
}

/// A [`Warning`] as written to files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WarningText {
    /// Stable, kebab-case name of the kind of warning.
    pub code: String,
    /// What was seen, with the figure.
    pub text: String,
    /// What to do about it.
    pub mend: String,
}

impl Warning {
    /// Stable name of the kind of warning.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Clip(warning) => warning.code(),
            Self::Stations(warning) => warning.code(),
            Self::Response(warning) => warning.code(),
            Self::Matching(warning) => warning.code(),
            Self::Motion(warning) => warning.code(),
        }
    }

    /// What was seen, with the figure that raised the doubt.
    pub fn text(&self) -> String {
        match self {
            Self::Clip(warning) => warning.text(),
            Self::Stations(warning) => warning.text(),
            Self::Response(warning) => warning.text(),
            Self::Matching(warning) => warning.text(),
            Self::Motion(warning) => warning.text(),
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Clip(warning) => warning.mend(),
            Self::Stations(warning) => warning.mend(),
            Self::Response(warning) => warning.mend(),
            Self::Matching(warning) => warning.mend(),
            Self::Motion(warning) => warning.mend(),
        }
    }
}

impl From<&Warning> for WarningText {
    fn from(warning: &Warning) -> Self {
        Self {
            code: warning.code().into(),
            text: warning.text(),
            mend: warning.mend(),
        }
    }
}

impl From<ClipWarning> for Warning {
    fn from(warning: ClipWarning) -> Self {
        Self::Clip(warning)
    }
}
