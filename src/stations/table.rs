//! Reads a file of `time_s, stick_pct` rows.

use std::path::Path;

use super::error::{RowFault, StationsError};

/// Largest stick position that a radio can tell; mixes and extended travel reach beyond 100.
const LARGEST_STICK_PCT: f64 = 150.0;

/// The columns, in their order.
const COLUMNS: [&str; 2] = ["time_s", "stick_pct"];

/// One row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Row {
    /// Line in the file, from 1.
    pub line: u64,
    /// Time on the file's clock.
    pub time_s: f64,
    /// Stick position.
    pub stick_pct: f64,
}

/// All rows in the order of the file; a header and lines that start with `#` are passed over, and
/// every fault is told at once.
pub(super) fn read_rows(path: &Path) -> Result<Vec<Row>, StationsError> {
    let text = std::fs::read_to_string(path).map_err(|error| StationsError::FileUnreadable {
        path: path.to_path_buf(),
        reason: error.to_string(),
    })?;
    parse_rows(&text).map_err(|faults| StationsError::FileFaulty {
        path: path.to_path_buf(),
        faults,
    })
}

fn parse_rows(text: &str) -> Result<Vec<Row>, Vec<RowFault>> {
    let mut rows = Vec::new();
    let mut faults = Vec::new();
    let mut is_first = true;
    for (line, text) in (1..).zip(text.trim_start_matches('\u{feff}').lines()) {
        let text = text.trim();
        if text.is_empty() || text.starts_with('#') {
            continue;
        }
        let fields: Vec<&str> = text.split(',').map(str::trim).collect();
        // A header has no number; one of other columns would swap or mistake them.
        let is_header = std::mem::take(&mut is_first)
            && fields.iter().all(|field| field.parse::<f64>().is_err());
        if is_header {
            faults.extend(wrong_columns(&fields).map(|fault| RowFault { line, fault }));
            continue;
        }
        match parse_row(line, &fields) {
            Ok(row) => rows.push(row),
            Err(fault) => faults.push(RowFault { line, fault }),
        }
    }
    if rows.is_empty() && faults.is_empty() {
        faults.push(RowFault {
            line: 1,
            fault: "no row in the file".into(),
        });
    }
    if faults.is_empty() {
        Ok(rows)
    } else {
        Err(faults)
    }
}

/// What is wrong with a header.
fn wrong_columns(fields: &[&str]) -> Option<String> {
    (fields != COLUMNS).then(|| {
        format!(
            "the columns are {} instead of {}",
            fields.join(", "),
            COLUMNS.join(", ")
        )
    })
}

fn parse_row(line: u64, fields: &[&str]) -> Result<Row, String> {
    let &[time, stick] = fields else {
        return Err(format!(
            "{} fields instead of time_s, stick_pct",
            fields.len()
        ));
    };
    let number = |name: &str, field: &str| -> Result<f64, String> {
        field
            .parse()
            .ok()
            .filter(|value: &f64| value.is_finite())
            .ok_or_else(|| format!("{name} is not a number: \"{field}\""))
    };
    let row = Row {
        line,
        time_s: number("time_s", time)?,
        stick_pct: number("stick_pct", stick)?,
    };
    if row.stick_pct.abs() > LARGEST_STICK_PCT {
        return Err(format!(
            "stick_pct {stick} is beyond ±{LARGEST_STICK_PCT} %"
        ));
    }
    Ok(row)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_a_header_and_a_byte_order_mark_are_passed_over() {
        let rows = parse_rows("\u{feff}# my holds\ntime_s, stick_pct\n0.5, 0\n# half\n1.5, +50\n")
            .unwrap();
        let told: Vec<(u64, f64, f64)> = rows
            .iter()
            .map(|row| (row.line, row.time_s, row.stick_pct))
            .collect();
        assert_eq!(told, [(3, 0.5, 0.0), (5, 1.5, 50.0)]);
    }

    #[test]
    fn other_columns_are_refused_by_name() {
        for header in ["stick_pct,time_s", "time_s,stick_pct,throttle", "t,s"] {
            let faults = parse_rows(&format!("{header}\n0.5,0\n")).unwrap_err();
            assert_eq!(faults[0].line, 1, "{header}");
            assert!(faults[0].fault.contains("instead of time_s, stick_pct"));
        }
    }

    #[test]
    fn every_faulty_row_is_told_with_its_line() {
        let faults =
            parse_rows("time_s,stick_pct\n0.5,zero\n1.0\n2.0,500\nNaN,0\n3.0,25\n").unwrap_err();
        let lines: Vec<u64> = faults.iter().map(|fault| fault.line).collect();
        assert_eq!(lines, [2, 3, 4, 5]);
        assert!(faults[0].fault.contains("\"zero\""));
        assert!(!parse_rows("# nothing\n").unwrap_err().is_empty());
    }
}
