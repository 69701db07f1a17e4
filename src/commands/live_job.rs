//! The main job for a live session: from what it leaves to a report.

use super::CommandError;
use super::output::OutputFolder;
use crate::live::LiveRecord;
use crate::measurement::Measurement;

/// Measures and matches what a live session left, writes the files of `measure` except the marked still, and
/// returns the record.
///
/// # Errors
/// As `measure` for a clip.
pub fn measure_live(
    record: &LiveRecord,
    folder: OutputFolder,
) -> Result<Measurement, CommandError> {
    let _ = (record, folder);
    Err(CommandError::NothingShown)
}
