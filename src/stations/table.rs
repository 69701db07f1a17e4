//! Reads a file of `time_s, stick_pct` rows.

use std::path::Path;

use crate::bounded_file;
use crate::stations::error::{RowFault, StationsError};

/// Largest stick position accepted; mixes and extended travel reach beyond 100.
const LARGEST_STICK_PCT: f64 = 150.0;

/// Largest file that is read, bytes: a stick log of an hour with a thousand rows a second.
const MOST_BYTES: u64 = 64 << 20;

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

/// All rows in the order of the file. A header and lines that start with `#` are passed over, and
/// every fault is reported at once.
///
/// Columns are separated by commas, or by semicolons or tabs as spreadsheets write them where the
/// comma is the decimal sign. Lines are read one by one, not by `csv`: there an open quote takes in all
/// lines behind it, and a record behind a comment has the comment's line.
pub(super) fn read_rows(path: &Path) -> Result<Vec<Row>, StationsError> {
    let text = bounded_file::read_text(path, MOST_BYTES).map_err(|error| {
        StationsError::FileUnreadable {
            path: path.to_path_buf(),
            reason: error.to_string(),
        }
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
        let fields = Fields::of(text);
        // A header has no number; one of other columns would swap or mistake them.
        let is_header = std::mem::take(&mut is_first)
            && fields
                .texts
                .iter()
                .all(|field| fields.number(field).is_none());
        if is_header {
            let wrong = wrong_columns(&fields.texts);
            faults.extend(wrong.map(|fault| RowFault { line, fault }));
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

/// The fault of a header.
fn wrong_columns(fields: &[&str]) -> Option<String> {
    (fields != COLUMNS).then(|| {
        format!(
            "the columns are {} instead of {}",
            fields.join(", "),
            COLUMNS.join(", ")
        )
    })
}

/// The fields of one line, and the decimal separator of its numbers.
struct Fields<'a> {
    texts: Vec<&'a str>,
    has_decimal_comma: bool,
}

impl<'a> Fields<'a> {
    fn of(line: &'a str) -> Self {
        let separator = [';', '\t'].into_iter().find(|&mark| line.contains(mark));
        let texts = line.split(separator.unwrap_or(','));
        Self {
            texts: texts
                .map(|text| text.trim().trim_matches('"').trim())
                .collect(),
            has_decimal_comma: separator.is_some(),
        }
    }

    fn number(&self, text: &str) -> Option<f64> {
        let number = match self.has_decimal_comma {
            true => text.replacen(',', ".", 1).parse(),
            false => text.parse(),
        };
        number.ok().filter(|number: &f64| number.is_finite())
    }
}

fn parse_row(line: u64, fields: &Fields<'_>) -> Result<Row, String> {
    let &[time, stick] = fields.texts.as_slice() else {
        let hint = match fields.texts.len() {
            3 | 4 if !fields.has_decimal_comma => {
                "; with decimal commas, separate the columns by semicolons"
            }
            _ => "",
        };
        let count = fields.texts.len();
        return Err(format!("{count} fields instead of time_s, stick_pct{hint}"));
    };
    let number = |name: &str, field: &str| -> Result<f64, String> {
        fields
            .number(field)
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
        let found: Vec<(u64, f64, f64)> = rows
            .iter()
            .map(|row| (row.line, row.time_s, row.stick_pct))
            .collect();
        assert_eq!(found, [(3, 0.5, 0.0), (5, 1.5, 50.0)]);
    }

    #[test]
    fn files_of_spreadsheets_with_a_decimal_comma_are_read() {
        let files = [
            "time_s;stick_pct\n0,5;-12,5\n1,5;+50\n",
            "time_s ; stick_pct\n0.5 ; -12.5\n1.5 ; 50\n",
            "time_s\tstick_pct\r\n0,5\t-12,5\r\n1,5\t50\r\n",
            "\u{feff}\"time_s\";\"stick_pct\"\n\"0,5\";\"-12,5\"\n\"1,5\";\"50\"\n",
        ];
        for text in files {
            let rows = parse_rows(text).unwrap();
            let found: Vec<(f64, f64)> =
                rows.iter().map(|row| (row.time_s, row.stick_pct)).collect();
            assert_eq!(found, [(0.5, -12.5), (1.5, 50.0)], "{text}");
        }
    }

    #[test]
    fn a_decimal_comma_between_commas_is_named() {
        let faults = parse_rows("time_s,stick_pct\n0,5,50\n0,5,12,5\n").unwrap_err();
        for fault in faults {
            assert!(fault.fault.contains("semicolon"), "{}", fault.fault);
        }
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
    fn every_faulty_row_is_reported_with_its_line() {
        let faults =
            parse_rows("time_s,stick_pct\n0.5,zero\n1.0\n2.0,500\nNaN,0\n3.0,25\n").unwrap_err();
        let lines: Vec<u64> = faults.iter().map(|fault| fault.line).collect();
        assert_eq!(lines, [2, 3, 4, 5]);
        assert!(faults[0].fault.contains("\"zero\""));
        assert!(!parse_rows("# nothing\n").unwrap_err().is_empty());
    }
}
