//! Warnings about a result.
//!
//! Each module has its own enum of warnings, and pushes them to the list that the caller passes in.
//! Commands [gather] them as text; the report, the JSON and the terminal print each once, at the
//! end.

use serde::{Deserialize, Serialize};

/// A warning about a result, with the figure that raised it and the threshold it passed.
pub trait Warning {
    /// Stable, kebab-case name of the kind of warning.
    fn code(&self) -> &'static str;

    /// The finding, with the figure that raised the warning.
    fn text(&self) -> String;

    /// What the user can do about it.
    fn mend(&self) -> String;

    /// Whether the figures may be wrong, not only less sure.
    fn grave(&self) -> bool {
        false
    }
}

/// A [`Warning`] of any room, as written to files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "Entry", into = "Entry")]
pub struct WarningText {
    /// Stable, kebab-case name of the kind of warning.
    pub code: String,
    /// The finding, with the figure.
    pub text: String,
    /// What to do about it.
    pub mend: String,
    /// Whether the figures may be wrong, not only less sure.
    pub grave: bool,
}

/// A warning in a file. Version 1 called the help `mend`; new files have it under both names.
#[derive(Serialize, Deserialize)]
struct Entry {
    code: String,
    text: String,
    #[serde(default)]
    mend: Option<String>,
    #[serde(default)]
    help: Option<String>,
    #[serde(default)]
    grave: bool,
}

impl From<Entry> for WarningText {
    fn from(entry: Entry) -> Self {
        Self {
            code: entry.code,
            text: entry.text,
            mend: entry.help.or(entry.mend).unwrap_or_default(),
            grave: entry.grave,
        }
    }
}

impl From<WarningText> for Entry {
    fn from(warning: WarningText) -> Self {
        Self {
            code: warning.code,
            text: warning.text,
            mend: Some(warning.mend.clone()),
            help: Some(warning.mend),
            grave: warning.grave,
        }
    }
}

impl<W: Warning> From<&W> for WarningText {
    fn from(warning: &W) -> Self {
        Self {
            code: warning.code().into(),
            text: warning.text(),
            mend: warning.mend(),
            grave: warning.grave(),
        }
    }
}

/// Result of a stage; its warnings are added to those of other stages.
pub fn gather<W: Warning, Given>(
    texts: &mut Vec<WarningText>,
    stage: impl FnOnce(&mut Vec<W>) -> Given,
) -> Given {
    let mut doubts = Vec::new();
    let given = stage(&mut doubts);
    texts.extend(doubts.iter().map(WarningText::from));
    given
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn files_carry_the_advice_under_both_names_and_either_name_is_read() {
        let read = |text: &str| serde_json::from_str::<WarningText>(text).unwrap();
        let old = read(r#"{"code": "a", "text": "b", "mend": "c"}"#);
        let new = read(r#"{"code": "a", "text": "b", "help": "c", "grave": true}"#);
        assert_eq!((old.mend.as_str(), old.grave), ("c", false));
        assert_eq!((new.mend.as_str(), new.grave), ("c", true));
        let written = serde_json::to_value(&new).unwrap();
        assert_eq!(
            written,
            serde_json::json!({"code": "a", "text": "b", "mend": "c", "help": "c", "grave": true})
        );
    }
}
