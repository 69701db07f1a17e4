//! The day on which a clip was filmed, from its file.

use std::path::Path;

use jiff::{Timestamp, tz::TimeZone};

/// Day on which the file was last written, `YYYY-MM-DD` in local time: for a clip that was copied
/// as it is, the day of filming.
pub fn day_of_file(path: &Path) -> Option<String> {
    let modified = std::fs::metadata(path).ok()?.modified().ok()?;
    let time = Timestamp::try_from(modified).ok()?;
    Some(time.to_zoned(TimeZone::system()).date().to_string())
}
