//! The one error of all commands.

use std::path::PathBuf;

use miette::Diagnostic;
use thiserror::Error;

use super::output::OutputError;
use super::unfinished::NotMeasured;
use crate::bench::ServeError;
use crate::camera::calibration::CalibrationError;
use crate::camera::{ProfileError, ProfileFault};
use crate::clip::ClipError;
use crate::comparison::ComparisonError;
use crate::functions::FunctionsError;
use crate::matching::MatchingError;
use crate::measurement::{EnteredError, MeasurementError};
use crate::model_file::{ModelFileErrors, NewModelError};
use crate::motion::MotionError;
use crate::print::PrintError;
use crate::record::RecordError;
use crate::report::ReportError;
use crate::response::ResponseError;
use crate::stations::StationsError;
use crate::table_reader::FileError;
use crate::tags::TagsError;

/// An error of a command: what is wrong, where, and what to do.
#[derive(Debug, Error, Diagnostic)]
#[non_exhaustive]
pub enum CommandError {
    /// The model file cannot be used.
    #[error(transparent)]
    #[diagnostic(transparent)]
    ModelFile(#[from] ModelFileErrors),
    /// The surfaces named for a new model file cannot be used.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    NewModel(#[from] NewModelError),
    /// The camera profile's file cannot be used.
    #[error(transparent)]
    #[diagnostic(transparent)]
    ProfileFile(#[from] FileError<ProfileFault>),
    /// The camera profile does not fit the clip.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Profile(#[from] ProfileError),
    /// The clip cannot be read.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Clip(#[from] ClipError),
    /// The tags could not be measured.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Tags(#[from] TagsError),
    /// No motion could be fitted.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Motion(#[from] MotionError),
    /// The functions cannot be measured as chosen.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Functions(#[from] FunctionsError),
    /// No chosen function has a surface that was measured.
    #[error("the clip shows no function of the model file")]
    #[diagnostic(help("film the surfaces of a function through their whole travel"))]
    NothingShown,
    /// The holds could not be found.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Stations(#[from] StationsError),
    /// No response could be computed.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Response(#[from] ResponseError),
    /// The numbers could not be computed.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Matching(#[from] MatchingError),
    /// The camera cannot be calibrated.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Calibration(#[from] CalibrationError),
    /// A kept measurement cannot be read or written.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Measurement(#[from] MeasurementError),
    /// An earlier proposal cannot be taken as entered.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Entered(#[from] EnteredError),
    /// The print could not be made.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Print(#[from] PrintError),
    /// Two measurements cannot be compared.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Comparison(#[from] ComparisonError),
    /// A measurement does not belong to the record.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Record(#[from] RecordError),
    /// A report cannot be made.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Report(#[from] ReportError),
    /// The bench cannot be served.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Serve(#[from] ServeError),
    /// The output cannot be written.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Output(#[from] OutputError),
    /// A file or a folder cannot be read.
    #[error("cannot read {}", path.display())]
    #[diagnostic(help("check that it is there and that you may read it"))]
    NotReadable {
        /// The file or folder.
        path: PathBuf,
        /// The system's message.
        source: std::io::Error,
    },
    /// A part of a record is a link.
    #[error("{} is a link", path.display())]
    #[diagnostic(help("put the file or folder itself in its place; a record follows no links"))]
    Link {
        /// The file or folder.
        path: PathBuf,
    },
    /// The clip could not be measured, and a page shows its tags and holds.
    #[error(transparent)]
    #[diagnostic(transparent)]
    NotMeasured(NotMeasured),
    /// The person no longer wants the result.
    #[error("cancelled")]
    Cancelled,
    /// Neither a camera profile nor a field of view was given.
    #[error("the camera is not specified")]
    #[diagnostic(help(
        "pass its profile with --camera (made by `hingewise calibrate`), or for a rough result the \
         angle across the picture's diagonal with --field-of-view-deg"
    ))]
    NoCamera,
    /// The bundled scenario was changed.
    #[error("the bundled {name} cannot be read")]
    #[diagnostic(help("install the program again"))]
    SampleDamaged {
        /// The file.
        name: &'static str,
        /// The cause.
        source: csv::Error,
    },
}

/// The message with those of its causes.
pub fn with_causes(error: &CommandError) -> String {
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(error) = cause {
        text += &format!(": {error}");
        cause = error.source();
    }
    text
}
