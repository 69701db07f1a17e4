//! What the person should know about a result that was obtained all the same.
//!
//! Each room has doubts of its own kind, and pushes them into the list that it is handed. Commands
//! [gather] them as text; the report, the JSON and the terminal print each once, at the end.

use serde::{Deserialize, Serialize};

/// A doubt about a result, with the figure that raised it and the threshold it passed.
pub trait Warning {
    /// Stable, kebab-case name of the kind of warning.
    fn code(&self) -> &'static str;

    /// What was seen, with the figure that raised the doubt.
    fn text(&self) -> String;

    /// What the person can do about it.
    fn mend(&self) -> String;

    /// Whether the figures may be wrong, not only less sure.
    fn grave(&self) -> bool {
        false
    }
}

/// A [`Warning`] of any room, as written to files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WarningText {
    /// Stable, kebab-case name of the kind of warning.
    pub code: String,
    /// What was seen, with the figure.
    pub text: String,
    /// What to do about it.
    pub mend: String,
}

impl<W: Warning> From<&W> for WarningText {
    fn from(warning: &W) -> Self {
        Self {
            code: warning.code().into(),
            text: warning.text(),
            mend: warning.mend(),
        }
    }
}

/// What a stage gives, run with a list for its own doubts, which then join those of other stages.
pub fn gather<W: Warning, Given>(
    texts: &mut Vec<WarningText>,
    stage: impl FnOnce(&mut Vec<W>) -> Given,
) -> Given {
    let mut doubts = Vec::new();
    let given = stage(&mut doubts);
    texts.extend(doubts.iter().map(WarningText::from));
    given
}
