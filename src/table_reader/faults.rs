//! Faults of a TOML file: what is wrong, where, and how to correct it.

use std::ops::Range;
use std::path::{Path, PathBuf};

use miette::{Diagnostic, LabeledSpan, SourceCode};
use thiserror::Error;

use super::FromToml;
use super::Slip;
use super::excerpt::{Excerpt, marked};
use crate::names::{LONGEST_NAME, shortened};

/// A kind of fault that a file can have.
pub trait Fault: std::error::Error + From<TableFault> + Send + Sync + 'static {
    /// What the user can do about it.
    fn mend(&self) -> String;
}

/// Faults that any TOML file can have.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TableFault {
    /// The text is no TOML.
    #[error("the file cannot be read: {message}")]
    Syntax {
        /// The parser's complaint.
        message: String,
        /// What was probably meant.
        slip: Option<Slip>,
    },
    /// The text is of another kind altogether.
    #[error("this is {what}")]
    OtherKind {
        /// What it is.
        what: &'static str,
    },
    /// A name with too many letters.
    #[error("`{key}` has {letters} letters, and {LONGEST_NAME} at most are read")]
    TooLong {
        /// The key.
        key: &'static str,
        /// Its letters.
        letters: usize,
    },
    /// A key that means nothing here.
    #[error("unknown key `{key}` in {table}")]
    UnknownKey {
        /// The key.
        key: String,
        /// The table of the key.
        table: String,
        /// The known key that looks most like it.
        meant: Option<String>,
        /// All keys known here.
        known: Vec<&'static str>,
    },
    /// A key that has to be there.
    #[error("`{key}` is missing in {table}")]
    MissingKey {
        /// The key.
        key: &'static str,
        /// The table where it belongs.
        table: String,
        /// The expected value.
        expected: &'static str,
    },
    /// A value of the wrong type.
    #[error("`{key}` has to be {expected}, but this is {found}")]
    WrongType {
        /// The key.
        key: &'static str,
        /// The expected value.
        expected: &'static str,
        /// The value found.
        found: &'static str,
    },
    /// A number that cannot be meant.
    #[error("`{key}` = {value} is outside {limits}")]
    OutOfRange {
        /// The key.
        key: &'static str,
        /// The number.
        value: f64,
        /// The accepted range.
        limits: Limits,
    },
    /// A word that is none of the choices.
    #[error("`{key}` cannot be {found:?}")]
    NotOneOf {
        /// The key.
        key: &'static str,
        /// The word found.
        found: String,
        /// The words that are understood.
        choices: Vec<String>,
        /// The choice that looks most like it.
        meant: Option<String>,
    },
}

/// Smallest and largest number that is accepted, both included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Smallest number.
    pub low: f64,
    /// Largest number.
    pub high: f64,
    /// Unit as shown, empty if none.
    pub unit: &'static str,
}

impl Limits {
    /// Limits in a unit.
    pub const fn new(low: f64, high: f64, unit: &'static str) -> Self {
        Self { low, high, unit }
    }

    /// The same limits in another unit.
    pub const fn scaled(self, factor: f64, unit: &'static str) -> Self {
        Self::new(self.low * factor, self.high * factor, unit)
    }

    /// Whether a number is accepted.
    pub fn contains(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

impl std::fmt::Display for Limits {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { low, high, unit } = self;
        write!(formatter, "{low} to {high} {unit}")
    }
}

impl TableFault {
    pub(super) fn unknown_key(key: &str, table: &str, known: &[&'static str]) -> Self {
        Self::UnknownKey {
            key: key.to_owned(),
            table: table.to_owned(),
            meant: closest(key, known.iter().copied()).map(str::to_owned),
            known: known.to_vec(),
        }
    }

    pub(super) fn wrong_type<T: FromToml>(key: &'static str, found: &'static str) -> Self {
        Self::WrongType {
            key,
            expected: T::EXPECTED,
            found,
        }
    }

    pub(super) fn not_one_of(key: &'static str, found: &str, choices: &[&str]) -> Self {
        Self::NotOneOf {
            key,
            found: found.to_owned(),
            choices: choices.iter().map(|choice| format!("{choice:?}")).collect(),
            meant: closest(found, choices.iter().copied()).map(str::to_owned),
        }
    }
}

impl Fault for TableFault {
    fn mend(&self) -> String {
        match self {
            Self::Syntax {
                slip: Some(slip), ..
            } => slip.to_string(),
            Self::Syntax { slip: None, .. } => {
                "correct this first; the rest of the file is checked once it can be read".into()
            }
            Self::OtherKind { .. } => {
                "give the model file of the aircraft with `--model`, and the camera profile with `--camera`; \
                 each is a text file that ends in .toml"
                    .into()
            }
            Self::TooLong { .. } => "write a shorter name".into(),
            Self::UnknownKey { meant, known, .. } => match meant {
                Some(meant) => format!("did you mean `{meant}`?"),
                None if known.is_empty() => "remove it; no key is allowed here".into(),
                None => format!("remove it; allowed here: {}", known.join(", ")),
            },
            Self::MissingKey { key, expected, .. } => format!("add `{key}`, {expected}"),
            Self::WrongType { expected, .. } => format!("write {expected}"),
            Self::OutOfRange { limits, .. } => {
                format!("write a number from {limits}; check the unit")
            }
            Self::NotOneOf { choices, meant, .. } => match meant {
                Some(meant) => {
                    format!("did you mean {meant:?}? allowed: {}", choices.join(", "))
                }
                None => format!("write one of {}", choices.join(", ")),
            },
        }
    }
}

/// The candidate that was probably meant by `word`, if any is close.
pub fn closest<'c>(word: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    /// One slip in three letters still reads as the same word; more is another word.
    const LETTERS_PER_SLIP: usize = 3;
    /// No word that is understood is half as long, and comparing takes time as the product of lengths.
    const LONGEST_WORD: usize = 200;
    if word.len() > LONGEST_WORD {
        return None;
    }
    let word = word.to_lowercase();
    candidates
        .map(|candidate| {
            let slips = strsim::damerau_levenshtein(&word, &candidate.to_lowercase());
            (slips, candidate)
        })
        .filter(|(slips, candidate)| {
            let letters = candidate.chars().count();
            slips * LETTERS_PER_SLIP <= letters.max(LETTERS_PER_SLIP)
        })
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

/// A fault and its place in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Located<F> {
    /// The fault.
    pub fault: F,
    /// The bytes of the file that it concerns.
    pub span: Range<usize>,
    /// Another place that it contradicts.
    pub other: Option<Range<usize>>,
}

impl<F: std::fmt::Display> std::fmt::Display for Located<F> {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(&shortened(&self.fault.to_string()))
    }
}

impl<F: std::error::Error> std::error::Error for Located<F> {}

impl<F: Fault> Diagnostic for Located<F> {
    fn help<'a>(&'a self) -> Option<Box<dyn std::fmt::Display + 'a>> {
        Some(Box::new(shortened(&self.fault.mend())))
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let other = self
            .other
            .clone()
            .map(|span| LabeledSpan::new_with_span(Some("also here".into()), marked(span)));
        let here =
            LabeledSpan::new_primary_with_span(Some("here".into()), marked(self.span.clone()));
        Some(Box::new(std::iter::once(here).chain(other)))
    }
}

/// A file with at least one fault.
#[derive(Debug, Error)]
#[error("{} has {}", path.display(), count_of(faults.len()))]
pub struct FaultyFile<F> {
    path: PathBuf,
    source_text: Excerpt,
    faults: Vec<Located<F>>,
}

/// Faults that are shown; whoever mends these runs the command again.
const MOST_SHOWN: usize = 10;

fn count_of(faults: usize) -> String {
    match faults {
        1 => "a fault".into(),
        more if more > MOST_SHOWN => {
            format!("{more} faults, of which these are the first {MOST_SHOWN}")
        }
        _ => format!("{faults} faults"),
    }
}

impl<F> FaultyFile<F> {
    pub(super) fn new(path: &Path, text: String, faults: Vec<Located<F>>) -> Self {
        Self {
            path: path.to_owned(),
            source_text: Excerpt::new(path.display().to_string(), text),
            faults,
        }
    }

    /// All faults, in the order of the file.
    pub fn faults(&self) -> &[Located<F>] {
        &self.faults
    }
}

impl<F: Fault> Diagnostic for FaultyFile<F> {
    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(&self.source_text)
    }

    fn related<'a>(&'a self) -> Option<Box<dyn Iterator<Item = &'a dyn Diagnostic> + 'a>> {
        Some(Box::new(
            self.faults
                .iter()
                .take(MOST_SHOWN)
                .map(|fault| fault as &dyn Diagnostic),
        ))
    }
}

/// Why a TOML file could not be used.
#[derive(Debug, Error)]
pub enum FileError<F: Fault> {
    /// The file cannot be opened, or is no text.
    #[error("cannot read {}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The system's message.
        #[source]
        cause: std::io::Error,
    },
    /// The file is far larger than any that a person writes.
    #[error("{} is too large to be such a file (more than {} MB)", path.display(), most_bytes >> 20)]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// The largest size that is read.
        most_bytes: u64,
    },
    /// The file can be read, but not all in it is right.
    #[error(transparent)]
    Faulty(FaultyFile<F>),
}

impl<F: Fault> Diagnostic for FileError<F> {
    fn help<'a>(&'a self) -> Option<Box<dyn std::fmt::Display + 'a>> {
        match self {
            Self::Unreadable { .. } => Some(Box::new("check the path, and that it is a text file")),
            Self::TooLarge { .. } => Some(Box::new("check that the right file was named")),
            Self::Faulty(_) => None,
        }
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        match self {
            Self::Faulty(file) => file.source_code(),
            _ => None,
        }
    }

    fn related<'a>(&'a self) -> Option<Box<dyn Iterator<Item = &'a dyn Diagnostic> + 'a>> {
        match self {
            Self::Faulty(file) => file.related(),
            _ => None,
        }
    }
}
