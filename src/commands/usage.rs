//! The command line, and hints for a line that cannot be parsed.

use std::ffi::OsString;
use std::path::Path;

use clap::Parser;
use clap::error::{ContextKind, ContextValue, Error, ErrorKind};

use super::Arguments;

/// Reads the command line of the program; ends it where that asks for help or is wrong.
pub fn parse() -> Arguments {
    let words: Vec<OsString> = std::env::args_os().collect();
    Arguments::try_parse_from(&words).unwrap_or_else(|error| with_hint(error, &words).exit())
}

/// The same error, with a hint where a name with spaces seems to lack its quotes.
fn with_hint(mut error: Error, words: &[OsString]) -> Error {
    if error.kind() != ErrorKind::UnknownArgument {
        return error;
    }
    let words: Vec<String> = words
        .iter()
        .map(|word| word.to_string_lossy().into())
        .collect();
    let surplus = match error.get(ContextKind::InvalidArg) {
        Some(ContextValue::String(word)) => word.clone(),
        _ => return error,
    };
    if let Some(name) = name_in_pieces(&words, &surplus) {
        let hint = format!("put a name with spaces in quotes: \"{name}\"").into();
        let hints = ContextValue::StyledStrs(vec![hint]);
        error.insert(ContextKind::Suggested, hints);
    }
    error
}

/// The name of which `surplus` seems to be a piece: that of a file which is there, else the surplus
/// word with the one before it.
fn name_in_pieces(words: &[String], surplus: &str) -> Option<String> {
    let is_value = |word: &String| !word.starts_with('-');
    let pieces = words.get(1..).unwrap_or_default();
    let existing = (0..pieces.len()).find_map(|first| {
        (first + 2..=pieces.len())
            .map(|end| &pieces[first..end])
            .take_while(|run| run.iter().all(is_value))
            .map(|run| run.join(" "))
            .find(|name| Path::new(name).exists())
    });
    let beside = || {
        let at = pieces.iter().position(|word| word == surplus)?;
        let before = pieces
            .get(at.checked_sub(1)?)
            .filter(|word| is_value(word))?;
        is_value(&pieces[at]).then(|| format!("{before} {surplus}"))
    };
    existing.or_else(beside)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_option_that_does_not_exist_is_no_piece_of_a_name() {
        let words = ["hingewise", "measure", "a.mp4", "--modle", "b"].map(String::from);
        assert_eq!(name_in_pieces(&words, "--modle"), None);
    }
}
