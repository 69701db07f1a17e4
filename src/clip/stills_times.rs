//! Times of stills, from a `times.csv` beside them.
//!
//! The first line names the columns; others than these two are ignored:
//!
//! - `time_s`: when the picture was taken, seconds from any origin;
//! - `file`: the picture's file name. Pictures are then presented in the order of their times, and
//!   each must be named exactly once. Without this column, the lines belong to the pictures in the
//!   order of their names, numbers in them read as numbers, and the times must rise.
//!
//! ```csv
//! file,time_s
//! DSC_0017.JPG,0.000
//! DSC_0018.JPG,1.240
//! ```

use std::collections::BTreeMap;
use std::path::Path;

use csv::StringRecord;

use super::{ClipError, TimesProblem};
use crate::bounded_file;

/// Name of the file with the times of a folder's pictures.
pub const TIMES_FILE: &str = "times.csv";

/// Largest file that is read, bytes: a line for each of a million pictures.
const MOST_BYTES: u64 = 64 << 20;

/// One line of a `times.csv`.
struct TimedLine {
    line: u64,
    file: Option<String>,
    time_s: f64,
}

/// The order in which to present the pictures of these names, as positions in `names`, each with
/// its time in seconds from the first one.
pub(super) fn read(path: &Path, names: &[String]) -> Result<Vec<(usize, f64)>, ClipError> {
    let text = bounded_file::read_text(path, MOST_BYTES)
        .map_err(|source| ClipError::opening(path, source))?;
    assign(&text, names).map_err(|(line, problem)| ClipError::TimesFile {
        path: path.into(),
        line,
        problem,
    })
}

type Problem = (u64, TimesProblem);

fn assign(text: &str, names: &[String]) -> Result<Vec<(usize, f64)>, Problem> {
    let lines = parse(text)?;
    let last_line = lines.last().map_or(1, |line| line.line);
    let missing = |position: usize| {
        let problem = TimesProblem::StillWithoutTime {
            file: names[position].clone(),
            times: lines.len(),
            stills: names.len(),
        };
        Err((last_line, problem))
    };
    let mut timed: Vec<(usize, &TimedLine)> = if lines.iter().any(|line| line.file.is_some()) {
        let named = by_name(&lines, names)?;
        if let Some(position) = (0..names.len()).find(|position| !named.contains_key(position)) {
            return missing(position);
        }
        named.into_iter().collect()
    } else {
        if lines.len() < names.len() {
            return missing(lines.len());
        }
        if let Some(extra) = lines.get(names.len()) {
            let problem = TimesProblem::MoreTimesThanStills {
                times: lines.len(),
                stills: names.len(),
            };
            return Err((extra.line, problem));
        }
        lines.iter().enumerate().collect()
    };
    if timed.iter().all(|(_, line)| line.file.is_some()) {
        timed.sort_by(|(_, a), (_, b)| a.time_s.total_cmp(&b.time_s));
    }
    for pair in timed.windows(2) {
        let (previous_s, line) = (pair[0].1.time_s, pair[1].1);
        if line.time_s <= previous_s {
            let problem = TimesProblem::NotRising {
                time_s: line.time_s,
                previous_s,
            };
            return Err((line.line, problem));
        }
    }
    let start_s = timed.first().map_or(0.0, |(_, line)| line.time_s);
    Ok(timed
        .into_iter()
        .map(|(position, line)| (position, line.time_s - start_s))
        .collect())
}

fn by_name<'a>(
    lines: &'a [TimedLine],
    names: &[String],
) -> Result<BTreeMap<usize, &'a TimedLine>, Problem> {
    let mut named = BTreeMap::new();
    for line in lines {
        let file = line.file.clone().unwrap_or_default();
        let Some(position) = names.iter().position(|name| *name == file) else {
            return Err((line.line, TimesProblem::NoSuchStill { file }));
        };
        if named.insert(position, line).is_some() {
            return Err((line.line, TimesProblem::NamedTwice { file }));
        }
    }
    Ok(named)
}

fn parse(text: &str) -> Result<Vec<TimedLine>, Problem> {
    // Spreadsheets put a byte-order mark in front.
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let headers = reader.headers().map_err(malformed)?.clone();
    let column = |name: &str| headers.iter().position(|header| header == name);
    let time_column = column("time_s").ok_or((1, TimesProblem::NoTimeColumn))?;
    let file_column = column("file");
    reader
        .records()
        .map(|record| timed_line(&record.map_err(malformed)?, time_column, file_column))
        .collect()
}

fn timed_line(
    record: &StringRecord,
    time_column: usize,
    file_column: Option<usize>,
) -> Result<TimedLine, Problem> {
    let line = record.position().map_or(1, |position| position.line());
    let text = record.get(time_column).unwrap_or_default();
    let time_s = text
        .parse()
        .ok()
        .filter(|time_s: &f64| time_s.is_finite())
        .ok_or_else(|| (line, TimesProblem::NotATime { text: text.into() }))?;
    Ok(TimedLine {
        line,
        file: file_column.map(|column| record.get(column).unwrap_or_default().into()),
        time_s,
    })
}

fn malformed(error: csv::Error) -> Problem {
    let line = error.position().map_or(1, |position| position.line());
    let reason = match error.kind() {
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => {
            format!("{len} columns where the first line names {expected_len}")
        }
        _ => error.to_string(),
    };
    (line, TimesProblem::Malformed { reason })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Vec<String> {
        ["a.png", "b.png", "c.png"].map(String::from).to_vec()
    }

    fn problem(text: &str) -> (u64, TimesProblem) {
        assign(text, &names()).expect_err("must be refused")
    }

    #[test]
    fn named_pictures_come_in_the_order_of_their_times() {
        let text = "\u{feff}file, time_s, note\nc.png,1.5,x\na.png,2.0,\nb.png,4.25,\n";
        assert_eq!(
            assign(text, &names()),
            Ok(vec![(2, 0.0), (0, 0.5), (1, 2.75)])
        );
    }

    #[test]
    fn unnamed_times_belong_to_the_pictures_in_order() {
        let text = "time_s\n10\n11\n13\n";
        assert_eq!(
            assign(text, &names()),
            Ok(vec![(0, 0.0), (1, 1.0), (2, 3.0)])
        );
    }

    #[test]
    fn problems_are_told_with_their_line() {
        assert_eq!(problem("time\n1\n"), (1, TimesProblem::NoTimeColumn));
        assert_eq!(
            problem("time_s\n1\nsoon\n2\n"),
            (
                3,
                TimesProblem::NotATime {
                    text: "soon".into()
                }
            )
        );
        assert_eq!(
            problem("time_s\n1\n2\n2\n"),
            (
                4,
                TimesProblem::NotRising {
                    time_s: 2.0,
                    previous_s: 2.0
                }
            )
        );
        assert_eq!(
            problem("file,time_s\na.png,1\nd.png,2\n"),
            (
                3,
                TimesProblem::NoSuchStill {
                    file: "d.png".into()
                }
            )
        );
        assert_eq!(
            problem("file,time_s\na.png,1\na.png,2\n"),
            (
                3,
                TimesProblem::NamedTwice {
                    file: "a.png".into()
                }
            )
        );
        assert_eq!(
            problem("file,time_s\na.png,1\nb.png,2\n"),
            (
                3,
                TimesProblem::StillWithoutTime {
                    file: "c.png".into(),
                    times: 2,
                    stills: 3
                }
            )
        );
        assert_eq!(
            problem("time_s\n1\n2\n3\n4\n"),
            (
                5,
                TimesProblem::MoreTimesThanStills {
                    times: 4,
                    stills: 3
                }
            )
        );
        let (line, ragged) = problem("file,time_s\na.png,1\nb.png\n");
        assert_eq!(line, 3);
        assert!(matches!(ragged, TimesProblem::Malformed { .. }));
    }
}
