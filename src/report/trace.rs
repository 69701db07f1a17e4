//! One picture a stage, numbered in the order of the stages, and the time that each took.

use crate::measurement::Measurement;

use super::format::Format;
use super::page::pair;
use super::still::{Picture, bare_still, sighted_still};
use super::{NamedFile, ReportError, charts, tables};

/// Input of the pictures.
#[derive(Debug, Clone, Copy)]
pub struct TraceInputs<'a> {
    /// The result.
    pub measurement: &'a Measurement,
    /// A frame with its sightings; without it the first two pictures are left out.
    pub picture: Option<Picture<'a>>,
    /// Stages in their order, and how long each took.
    pub times_s: &'a [(&'a str, f64)],
}

/// The files of `--trace`, in the order of the stages.
pub fn trace_files(inputs: &TraceInputs<'_>) -> Result<Vec<NamedFile>, ReportError> {
    let measurement = inputs.measurement;
    let mut files = Vec::new();
    let mut add = |name: &str, svg: String| files.push(NamedFile::text(name, svg));
    if let Some(picture) = &inputs.picture {
        add("1-clip.svg", bare_still(picture)?);
        add("2-tags.svg", sighted_still(picture)?);
    }
    add(
        "3-motion.svg",
        charts::hinges(&measurement.surfaces, Format::Wide),
    );
    add(
        "4-stations.svg",
        charts::timeline(measurement, Format::Wide),
    );
    for (position, correction) in measurement.matches.iter().enumerate() {
        let (shown, number) = (pair(measurement, correction), position + 1);
        add(
            &format!("5-response-{number}.svg"),
            charts::straight_line_departure(&shown, Format::Wide),
        );
        let tolerance_deg = measurement.tolerance_deg(correction);
        add(
            &format!("6-matching-{number}.svg"),
            charts::mismatch(correction, tolerance_deg, Format::Wide),
        );
    }
    files.push(NamedFile {
        name: "times.csv".into(),
        bytes: tables::times_csv(inputs.times_s)?,
    });
    Ok(files)
}
