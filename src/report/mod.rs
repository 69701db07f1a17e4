//! Report: the page, the tables and the pictures that a person keeps.
//!
//! Everything here turns data into bytes; [`files`] names them, and the command writes them.

pub mod calibration;
mod charts;
mod comparison_page;
mod error;
mod format;
mod headline;
mod neutral;
mod neutral_drift;
mod page;
mod palette;
mod photograph;
mod plot;
mod setup_sheet;
mod sheet_sources;
mod still;
mod summary;
mod svg;
mod tables;
mod trace;
mod truth;
mod unfinished;
mod verdict;
mod withheld;

#[cfg(test)]
mod agreement_tests;
#[cfg(test)]
mod phone_tests;
#[cfg(test)]
mod tests;

use crate::figures;
use crate::measured::Measured;
use crate::measurement::{FrameRow, Measurement};
use crate::names::without_unseen;

use format::Format;

pub use crate::figures::{sentence, signed_deg};
pub use charts::Throws;
pub use comparison_page::{comparison_page, comparison_summary};
pub use error::ReportError;
pub use headline::Headline;
pub use neutral_drift::neutral_lines;
pub use page::{
    Alternative, Counting, NumberRow, ReachView, curve_kind, exchanged, number_rows, reach_views,
    sense_sentence,
};
pub use setup_sheet::setup_sheet;
pub use sheet_sources::source_lines;
pub use still::{Picture, frame_to_mark, marked_still};
pub use summary::summary;
pub use trace::{
    trace_of_motion, trace_of_record, trace_of_responses, trace_of_sightings, trace_of_stations,
    trace_of_times,
};
pub use truth::{TrueStation, beside_truth};
pub use unfinished::{UNFINISHED_PAGE, Unfinished, hold_still, unfinished_page};
pub use verdict::{Judgement, Verdict};
pub use withheld::withheld;

/// Name of the page.
pub const PAGE: &str = "report.html";

/// A file to write: its name inside the output folder, and its contents.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFile {
    /// Name without folders.
    pub name: String,
    /// Contents.
    pub bytes: Vec<u8>,
}

impl NamedFile {
    fn text(name: &str, text: String) -> Self {
        Self {
            name: name.into(),
            bytes: text.into_bytes(),
        }
    }
}

/// How the largest deflections of one surface changed over its measurements, the oldest first, as SVG for a
/// screen and for a phone.
pub fn throws_charts(surface: &str, measured: &[Throws]) -> [String; 2] {
    [Format::Wide, Format::Narrow].map(|format| charts::throws(surface, measured, format))
}

/// The chart of a surface's neutral in each measurement against the latest one, for a screen and for a phone; the
/// oldest measurement comes first.
pub fn neutral_charts(surface: &str, against_latest_deg: &[Measured]) -> [String; 2] {
    [Format::Wide, Format::Narrow]
        .map(|format| charts::neutral(surface, against_latest_deg, format))
}

/// Inputs of a report besides the measurement.
#[derive(Debug, Clone, Copy, Default)]
pub struct ReportInputs<'a> {
    /// A frame to draw on; a measurement that is matched again has none.
    pub picture: Option<Picture<'a>>,
    /// Every surface in every frame; a measurement that is matched again has none.
    pub frames: Option<&'a [FrameRow]>,
}

/// All files of a report: `measurement.json`, `report.html`, `stations.csv`, and where the clip is
/// at hand `frames.csv` and `marked.svg`.
pub fn files(
    measurement: &Measurement,
    inputs: &ReportInputs<'_>,
) -> Result<Vec<NamedFile>, ReportError> {
    let drawn = |format| {
        let picture = inputs.picture.as_ref();
        let still = picture.map(|picture| marked_still(measurement, picture, format));
        still.transpose()
    };
    let (still, narrow_still) = (drawn(Format::Wide)?, drawn(Format::Narrow)?);
    let in_page = still.as_ref().zip(narrow_still.as_ref());
    let in_page = in_page.map(|(wide, narrow)| format::html([wide, narrow]));
    let page = page::page(measurement, in_page.as_deref())?;
    let mut files = vec![
        NamedFile::text(crate::measurement::FILE_NAME, measurement.to_json()?),
        NamedFile::text(PAGE, without_unseen(&page)),
        NamedFile {
            name: "stations.csv".into(),
            bytes: tables::stations_csv(measurement)?,
        },
    ];
    if let Some(rows) = inputs.frames {
        files.push(NamedFile {
            name: "frames.csv".into(),
            bytes: tables::frames_csv(rows)?,
        });
    }
    files.extend(still.map(|still| NamedFile::text("marked.svg", without_unseen(&still))));
    Ok(files)
}
