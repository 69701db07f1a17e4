//! The one error of all commands.

use std::path::PathBuf;

use miette::Diagnostic;
use thiserror::Error;

use super::output::OutputError;
use super::unfinished::NotMeasured;
use crate::camera::calibration::CalibrationError;
use crate::camera::{ProfileError, ProfileFault};
use crate::clip::ClipError;
use crate::comparison::ComparisonError;
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

/// Why a command did not do what was asked: what, where, and the mend.
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
    /// The holds could not be told.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Stations(#[from] StationsError),
    /// No response could be worked out.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Response(#[from] ResponseError),
    /// The numbers could not be worked out.
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
    /// What was ordered cannot be printed.
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
    /// The output cannot be written.
    #[error(transparent)]
    #[diagnostic(help("{}", .0.mend()))]
    Output(#[from] OutputError),
    /// The clip could not be measured, and a page shows what was seen of it.
    #[error(transparent)]
    #[diagnostic(transparent)]
    NotMeasured(NotMeasured),
    /// Neither a camera profile nor a field of view was given.
    #[error("nothing tells what camera took the clip")]
    #[diagnostic(help(
        "give its profile with --camera (made by `hingewise calibrate`), or for a rough result the \
         angle across the picture's diagonal with --field-of-view-deg"
    ))]
    NoCamera,
    /// The bundled scenario is not there.
    #[error("the bundled scenario is not here: no folder {folder}")]
    #[diagnostic(help("run the demo from the project's own folder"))]
    NoSample {
        /// The folder that was looked for.
        folder: &'static str,
    },
    /// The bundled scenario was changed.
    #[error("the bundled {} cannot be read", path.display())]
    #[diagnostic(help("fetch the project's files again"))]
    SampleDamaged {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: csv::Error,
    },
}
