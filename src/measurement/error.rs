//! Why a measurement cannot be kept or read.

use std::path::PathBuf;

use super::{FORMAT, VERSION};

/// A measurement that cannot be kept or read; the help text names the next action.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
pub enum MeasurementError {
    /// The file cannot be opened or read.
    #[error("cannot read {}", path.display())]
    #[diagnostic(help("use the measurement.json that `hingewise measure` wrote"))]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The system's message.
        source: std::io::Error,
    },
    /// The file is no JSON, or a field is missing or of another kind.
    #[error("{} is damaged at line {line}, column {column}: {reason}", path.display())]
    #[diagnostic(help(
        "use the unchanged file that `hingewise measure` wrote, or measure the clip again"
    ))]
    Damaged {
        /// The file.
        path: PathBuf,
        /// From 1.
        line: usize,
        /// From 1.
        column: usize,
        /// The expected contents.
        reason: String,
    },
    /// The file is JSON of another kind.
    #[error("{} is not a measurement: its format is {found}, not \"{FORMAT}\"", path.display())]
    #[diagnostic(help("use the measurement.json that `hingewise measure` wrote"))]
    OtherFormat {
        /// The file.
        path: PathBuf,
        /// Value of its field `format`.
        found: String,
    },
    /// The file is of a version that this program does not understand.
    #[error("{} has version {found}; this program reads version {VERSION}", path.display())]
    #[diagnostic(help("read it with the version of hingewise that wrote it, or measure again"))]
    OtherVersion {
        /// The file.
        path: PathBuf,
        /// Value of its field `version`.
        found: String,
    },
    /// Two parts of the file contradict each other, or a figure is impossible.
    #[error("{} is inconsistent: {place} {reason}", path.display())]
    #[diagnostic(help(
        "use the unchanged file that `hingewise measure` wrote, or measure the clip again"
    ))]
    Contradiction {
        /// The file.
        path: PathBuf,
        /// Where in the file.
        place: String,
        /// The fault.
        reason: String,
    },
    /// A stage returned a value that is not a number.
    #[error("a result is not a number: {reason}")]
    #[diagnostic(help(
        "the geometry is too weak for a result; film again with larger tags and more travel"
    ))]
    NotFinite {
        /// The record being written.
        reason: String,
    },
    /// The record could not be turned into text.
    #[error("cannot write the measurement as JSON")]
    #[diagnostic(help("please report this error"))]
    NotWritable {
        /// The writer's message.
        source: serde_json::Error,
    },
}
