//! Files and functions of the program stay short, so that each has one subject and fits on a screen.
//!
//! The lines of a file count up to its unit tests, if they come last in the file. The lines of a
//! function count from the line with its name to its closing brace, as rustfmt places it. Files of
//! unit tests do not count: `tests.rs`, `…_tests.rs` and folders named `tests`.
//!
//! The exceptions below have their present length as their limit. Shorten them and lower the limit,
//! or delete the entry; add none without a reason.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

/// Most lines of a file (common practice, no source).
const FILE_LINES: usize = 400;
/// Most lines of a function: a screenful (common practice, no source).
const FUNCTION_LINES: usize = 50;

/// Longer files and their limits.
const LONG_FILES: &[(&str, usize)] = &[
    ("src/bench/pages/edit.rs", 447),
    ("src/camera/guidance/session.rs", 439),
    ("src/solver/levenberg_marquardt.rs", 451),
    ("src/stations/error.rs", 416),
];

/// Longer functions and their limits.
const LONG_FUNCTIONS: &[(&str, &str, usize)] = &[
    // Tables: one entry for each message or route.
    ("src/bench/pages/mod.rs", "routes", 57),
    ("src/clip/error.rs", "mend", 63),
    ("src/model_file/fault.rs", "mend", 71),
    ("src/motion/declared/declaration.rs", "text", 57),
    ("src/motion/options.rs", "mend", 51),
    ("src/motion/warning.rs", "text", 77),
    ("src/print/error.rs", "mend", 63),
    ("src/response/warning.rs", "text", 70),
    ("src/stations/error.rs", "mend", 86),
    ("src/stations/warning.rs", "text", 80),
    // Invented data for unit tests.
    ("src/measurement/sample.rs", "heron", 75),
    ("src/stations/test_motion.rs", "motion_of", 52),
    // One formula over lanes of pixels.
    ("src/tags/pattern_fit/image_model.rs", "compare", 59),
    // Not yet split.
    ("src/bench/course.rs", "next", 52),
    ("src/motion/held/mod.rs", "new", 57),
    ("src/motion/mod.rs", "fit_to_the_end", 63),
    ("src/motion/start/setup.rs", "joint_fit", 56),
    ("src/motion/start/trials.rs", "surface_trial", 55),
    ("src/motion/start/trials.rs", "trial_fit", 59),
];

#[test]
fn no_file_is_long() {
    let long: Vec<String> = sources()
        .iter()
        .filter_map(|(path, text)| {
            let lines = program_lines(text).count();
            let exception = LONG_FILES.iter().find(|(long, _)| long == path);
            let limit = exception.map_or(FILE_LINES, |(_, limit)| *limit);
            (lines > limit).then(|| format!("{path}: {lines} lines, at most {limit}"))
        })
        .collect();
    assert!(long.is_empty(), "split by subject:\n{}", long.join("\n"));
}

#[test]
fn no_function_is_long() {
    let mut long = Vec::new();
    for (path, text) in sources() {
        for (name, lines) in functions(&text) {
            let mut exceptions = LONG_FUNCTIONS.iter();
            let exception = exceptions.find(|(file, long, _)| *file == path && *long == name);
            let limit = exception.map_or(FUNCTION_LINES, |(_, _, limit)| *limit);
            if lines > limit {
                long.push(format!("{path}: {name} has {lines} lines, at most {limit}"));
            }
        }
    }
    assert!(long.is_empty(), "split by steps:\n{}", long.join("\n"));
}

/// An exception that is no longer needed would let what it names grow again.
#[test]
fn every_exception_is_needed() {
    let sources = sources();
    let text_of = |wanted: &str| {
        let source = sources.iter().find(|(path, _)| path == wanted);
        source.map(|(_, text)| text.as_str())
    };
    let is_long_file =
        |path: &str| text_of(path).is_some_and(|text| program_lines(text).count() > FILE_LINES);
    let is_long_function = |path: &str, name: &str| {
        text_of(path).is_some_and(|text| {
            let mut lengths = functions(text).into_iter();
            lengths.any(|(found, lines)| found == name && lines > FUNCTION_LINES)
        })
    };
    let files = LONG_FILES.iter().filter(|(path, _)| !is_long_file(path));
    let functions = LONG_FUNCTIONS.iter();
    let functions = functions.filter(|(path, name, _)| !is_long_function(path, name));
    let stale: Vec<String> = files
        .map(|(path, _)| (*path).to_owned())
        .chain(functions.map(|(path, name, _)| format!("{path}: {name}")))
        .collect();
    assert!(
        stale.is_empty(),
        "delete the entries:\n{}",
        stale.join("\n")
    );
}

#[test]
fn lines_count_from_the_name_to_the_closing_brace_and_unit_tests_do_not_count() {
    let text = "\
impl Wing {
    /// Its span.
    pub(in crate::wing) fn span(
        &self,
    ) -> f64 {
        if self.folded {
            return 0.0;
        }
        self.span
    }
    fn declared(&self);
}
const fn chord() -> f64 { 0.2 }

#[cfg(test)]
mod tests {
    fn left_out() {
    }
}
";
    assert_eq!(program_lines(text).count(), 15);
    let counted = [("span", 8), ("declared", 1), ("chord", 1)];
    let counted = counted.map(|(name, lines)| (name.to_owned(), lines));
    assert_eq!(functions(text), counted);
}

/// Every source file of the program with its path from the project's folder, in order.
fn sources() -> Vec<(String, String)> {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = Vec::new();
    collect(&project.join("src"), &mut files);
    files.sort();
    assert!(files.len() > 100, "the folder src was not found whole");
    let read = |path: &PathBuf| {
        let from_project = path.strip_prefix(project).unwrap().to_str().unwrap();
        (
            from_project.to_owned(),
            std::fs::read_to_string(path).unwrap(),
        )
    };
    files.iter().map(read).collect()
}

/// Adds the source files in a folder and in those below it, without files of unit tests.
fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        if path.is_dir() && name != "tests" {
            collect(&path, files);
        } else if name.ends_with(".rs") && name != "tests.rs" && !name.ends_with("_tests.rs") {
            files.push(path);
        }
    }
}

/// The lines of a file up to its unit tests.
fn program_lines(text: &str) -> impl Iterator<Item = &str> {
    let tests = text.find("\nmod tests {");
    text[..tests.map_or(text.len(), |end| end + 1)].lines()
}

/// The functions of a file with their numbers of lines.
fn functions(text: &str) -> Vec<(String, usize)> {
    let lines: Vec<&str> = program_lines(text).collect();
    let lengths = lines.iter().enumerate().filter_map(|(first, line)| {
        let name = function_name(line)?;
        let indent = &line[..line.len() - line.trim_start().len()];
        let is_last = |line: &&str| {
            let ends = line.strip_prefix(indent);
            ends.is_some_and(|end| {
                end.starts_with('}') || end.starts_with(')') && end.ends_with(';')
            })
        };
        let is_one_line = line.ends_with('}') || line.ends_with(';');
        let after = lines[first + 1..].iter().position(is_last);
        let after = if is_one_line { 0 } else { after? + 1 };
        Some((name.to_owned(), after + 1))
    });
    lengths.collect()
}

/// The name of the function that a line begins.
fn function_name(line: &str) -> Option<&str> {
    let (before, after) = line.trim_start().split_once("fn ")?;
    let is_function = before.is_empty()
        || ["pub", "const ", "async ", "unsafe "]
            .iter()
            .any(|word| before.starts_with(word));
    let name = after
        .split(|letter: char| !letter.is_alphanumeric() && letter != '_')
        .next();
    name.filter(|name| is_function && !name.is_empty())
}
