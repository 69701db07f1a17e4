//! The files of a trace: a picture or a table of each stage, numbered in the order of the stages, and the
//! time that each took.

use crate::measurement::Measurement;
use crate::motion::Motion;
use crate::response::Responses;
use crate::stations::{Hold, SeenRest};
use crate::tags::SightedFrame;

use super::format::Format;
use super::page::pair;
use super::still::{Picture, bare_still, sighted_still};
use super::{NamedFile, ReportError, charts, tables};

/// A frame with its sightings, and how often each tag was found.
pub fn trace_of_sightings(
    frames: &[SightedFrame],
    picture: Option<Picture<'_>>,
) -> Result<Vec<NamedFile>, ReportError> {
    let mut files = vec![table("2-tags.csv", tables::tags_csv(frames)?)];
    if let Some(picture) = &picture {
        files.push(NamedFile::text("1-clip.svg", bare_still(picture)?));
        files.push(NamedFile::text("2-tags.svg", sighted_still(picture)?));
    }
    Ok(files)
}

/// The searches of the fit step by step, and the rests of the fitted surfaces.
pub fn trace_of_motion(motion: &Motion, rests: &[SeenRest]) -> Result<Vec<NamedFile>, ReportError> {
    let surfaces = motion.surfaces.iter();
    let surfaces: Vec<&str> = surfaces.map(|surface| surface.name.as_str()).collect();
    Ok(vec![
        table("3-fit.csv", tables::fit_csv(&motion.passes)?),
        table("4-rests.csv", tables::rests_csv(&surfaces, rests)?),
    ])
}

/// The holds of a function with their stations; functions count from 1.
pub fn trace_of_stations(function: usize, holds: &[Hold]) -> Result<Vec<NamedFile>, ReportError> {
    let name = format!("4-stations-function-{function}.csv");
    Ok(vec![table(&name, tables::holds_csv(holds)?)])
}

/// The deflections of a function's surfaces at their stations.
pub fn trace_of_responses(
    function: usize,
    responses: &Responses,
) -> Result<Vec<NamedFile>, ReportError> {
    let name = format!("5-response-function-{function}.csv");
    Ok(vec![table(&name, tables::responses_csv(responses)?)])
}

/// The pictures that need the whole record: hinges, stations, responses and mismatches.
pub fn trace_of_record(measurement: &Measurement) -> Vec<NamedFile> {
    let mut files = vec![
        NamedFile::text(
            "3-motion.svg",
            charts::hinges(&measurement.surfaces, Format::Wide),
        ),
        NamedFile::text(
            "4-stations.svg",
            charts::timeline(measurement, Format::Wide),
        ),
    ];
    for (position, correction) in measurement.matches.iter().enumerate() {
        let (shown, number) = (pair(measurement, correction), position + 1);
        files.push(NamedFile::text(
            &format!("5-response-{number}.svg"),
            charts::straight_line_departure(&shown, Format::Wide),
        ));
        let tolerance_deg = measurement.tolerance_deg(correction);
        files.push(NamedFile::text(
            &format!("6-matching-{number}.svg"),
            charts::mismatch(correction, tolerance_deg, Format::Wide),
        ));
    }
    files
}

/// How long each stage took, s; in their order.
pub fn trace_of_times(times_s: &[(&str, f64)]) -> Result<NamedFile, ReportError> {
    Ok(table("times.csv", tables::times_csv(times_s)?))
}

fn table(name: &str, bytes: Vec<u8>) -> NamedFile {
    NamedFile {
        name: name.into(),
        bytes,
    }
}
