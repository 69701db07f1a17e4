//! Assigns stations to rests from a file of marks: one time within each hold.

use std::path::Path;

use super::Labels;
use crate::stations::error::{RowFault, StationsError};
use crate::stations::seen_rest::SeenRest;
use crate::stations::table::{Row, read_rows};
use crate::stations::warning::StationsWarning;

/// The station of each rest; `None` for a rest without a mark, which also raises a warning.
pub(in crate::stations) fn label_by_marks(
    path: &Path,
    seen: &[SeenRest],
    warnings: &mut Vec<StationsWarning>,
) -> Result<Labels, StationsError> {
    let rows = read_rows(path)?;
    let labels = assign(&rows, seen).map_err(|faults| StationsError::FileFaulty {
        path: path.to_path_buf(),
        faults,
    })?;
    let unmarked = seen
        .iter()
        .zip(&labels)
        .filter(|(_, label)| label.is_none());
    let times_s: Vec<[f64; 2]> = unmarked.map(|(rest, _)| rest.time_s).collect();
    if !times_s.is_empty() {
        warnings.push(StationsWarning::HoldsWithoutMark { times_s });
    }
    Ok(labels)
}

fn assign(rows: &[Row], seen: &[SeenRest]) -> Result<Labels, Vec<RowFault>> {
    let mut mark_of_rest: Vec<Option<Row>> = vec![None; seen.len()];
    let mut faults = Vec::new();
    for row in rows {
        let within = |rest: &SeenRest| rest.time_s[0] <= row.time_s && row.time_s <= rest.time_s[1];
        let fault = match seen.iter().position(within) {
            None => Some(format!(
                "no hold at {} s{}",
                row.time_s,
                nearest(row.time_s, seen)
            )),
            Some(rest) => match mark_of_rest[rest] {
                Some(other) if other.stick_pct != row.stick_pct => Some(format!(
                    "{:+} % for the hold that line {} marks as {:+} %",
                    row.stick_pct, other.line, other.stick_pct
                )),
                _ => {
                    mark_of_rest[rest] = Some(*row);
                    None
                }
            },
        };
        faults.extend(fault.map(|fault| RowFault {
            line: row.line,
            fault,
        }));
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let stick = |mark: Option<Row>| mark.map(|row| row.stick_pct);
    Ok(mark_of_rest.into_iter().map(stick).collect())
}

/// Names the hold next to a time, for the message.
fn nearest(time_s: f64, seen: &[SeenRest]) -> String {
    let distance = |rest: &&SeenRest| {
        let [from, to] = rest.time_s;
        (from - time_s).max(time_s - to)
    };
    seen.iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)))
        .map_or(String::new(), |rest| {
            format!(
                ", the next lasts from {:.2} s to {:.2} s",
                rest.time_s[0], rest.time_s[1]
            )
        })
}
