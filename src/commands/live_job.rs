//! The main job for a live session: from what it leaves to a report.

use super::CommandError;
use super::function_work::{FittedClip, fit_wanted};
use super::output::{OutputFolder, write_files};
use super::stage_log::StageLog;
use crate::functions::Wanted;
use crate::live::LiveRecord;
use crate::measurement::{FrameRow, Measurement, Source};
use crate::report::{self, ReportInputs};

/// Measures and matches what a live session left, writes the files of `measure` without a marked still, and
/// returns the record.
///
/// # Errors
/// As `measure` for a clip.
pub fn measure_live(
    record: &LiveRecord,
    folder: OutputFolder,
) -> Result<Measurement, CommandError> {
    let (measurement, rows) = measured(record)?;
    let inputs = ReportInputs {
        picture: None,
        frames: Some(&rows),
    };
    write_files(report::files(&measurement, &inputs)?, folder)?;
    Ok(measurement)
}

/// The same without files: sightings → motion → responses → corrections → measurement.
///
/// # Errors
/// As [`measure_live`].
pub fn measured(record: &LiveRecord) -> Result<(Measurement, Vec<FrameRow>), CommandError> {
    let LiveRecord {
        sightings,
        holds,
        model,
        profile,
        functions,
        date,
    } = record;
    let mut warnings = Vec::new();
    let wanted = Wanted::of(model, functions)?;
    let (motion, shown) = fit_wanted(sightings, model, &wanted, profile, &mut warnings)?;
    let fitted = FittedClip {
        level: None,
        sightings,
        profile,
        motion: &motion,
        shown: &shown,
        chosen_by_motion: wanted == Wanted::Moving,
        given: Some(holds),
        warnings: &warnings,
    };
    let (mut measurement, rows) = fitted.measure(&mut StageLog::start(None), &mut Vec::new())?;
    measurement.source = Some(Source::Live);
    measurement.date.clone_from(date);
    Ok((measurement, rows))
}
