//! Why a report cannot be made.

use crate::measurement::MeasurementError;

/// A report that cannot be made.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
pub enum ReportError {
    /// The measurement cannot be written.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Measurement(#[from] MeasurementError),
    /// The page could not be put together.
    #[error("the page could not be made")]
    #[diagnostic(help("the figures are safe in measurement.json; please report this"))]
    Page(#[from] askama::Error),
    /// A table could not be put together.
    #[error("a table could not be made")]
    #[diagnostic(help("the figures are safe in measurement.json; please report this"))]
    Table(#[from] csv::Error),
    /// The photograph could not be compressed.
    #[error("the still could not be compressed")]
    #[diagnostic(help("please report this error"))]
    Photograph(#[from] image::ImageError),
    /// The frame to draw on is no picture.
    #[error("the frame to draw on has {pixels} pixels instead of {width_px} × {height_px}")]
    #[diagnostic(help("check the clip with another player, or film again"))]
    NoPicture {
        /// Width that was claimed.
        width_px: usize,
        /// Height that was claimed.
        height_px: usize,
        /// Pixels that there are.
        pixels: usize,
    },
}
