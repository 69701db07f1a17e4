//! What the person should know about a result that was obtained all the same.

use serde::{Deserialize, Serialize};

/// A doubt about the result, with the figure that raised it and the threshold it passed.
///
/// Stages push into a `Vec<Warning>` that the command hands them; the report, the JSON and the
/// terminal print it once, at the end.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// No airframe tag is declared or seen: the camera has to have stood still.
    NoAirframeTag,
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
            Self::NoAirframeTag => "no-airframe-tag",
        }
    }

    /// What was seen, with the figure that raised the doubt.
    pub fn text(&self) -> String {
        match self {
            Self::NoAirframeTag => {
                "no airframe tag was seen, so the result holds only if the camera stood still".into()
            }
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::NoAirframeTag => {
                "stick a tag on a part that does not move and declare it as [[airframe_tag]]".into()
            }
        }
    }
}

impl From<&Warning> for WarningText {
    fn from(warning: &Warning) -> Self {
        Self { code: warning.code().into(), text: warning.text(), mend: warning.mend() }
    }
}
