//! Names that people give: how long they may be, and how they are shown where others read them.

use std::path::Path;

/// Longest name of an aircraft, a surface or a camera, letters. Sheets and tables have room for a third
/// of it.
pub const LONGEST_NAME: usize = 100;

/// The name that a file gives to what is in it: without folders and ending, and at most
/// [`LONGEST_NAME`] letters.
pub fn of_file(file: &Path) -> String {
    let stem = file.file_stem().unwrap_or_default().to_string_lossy();
    stem.chars().take(LONGEST_NAME).collect()
}

/// A text for the name of a file: letters, digits, hyphens and points; whatever else becomes an underscore.
pub fn plain_letters(text: &str) -> String {
    let is_plain = |letter: char| letter.is_alphanumeric() || matches!(letter, '-' | '.');
    let letters = text.chars();
    letters
        .map(|letter| if is_plain(letter) { letter } else { '_' })
        .collect()
}

/// "tag 7", "tags 7, 8".
pub fn tags<'a>(ids: impl IntoIterator<Item = &'a u32>) -> String {
    let ids: Vec<String> = ids.into_iter().map(u32::to_string).collect();
    match ids.as_slice() {
        [one] => format!("tag {one}"),
        several => format!("tags {}", several.join(", ")),
    }
}

/// ", but tag 7 was", ", but tags 7, 8 were", as a clause; nothing where there are none.
pub fn but_tags(ids: &[u32]) -> String {
    match ids {
        [] => String::new(),
        [_] => format!(", but {} was", tags(ids)),
        _ => format!(", but {} were", tags(ids)),
    }
}

/// Whether a name is longer than [`LONGEST_NAME`].
pub fn is_too_long(name: &str) -> bool {
    name.chars().nth(LONGEST_NAME).is_some()
}

/// Whether a character changes what stands around it instead of being seen: control characters, and
/// those that set the direction of writing (Unicode Standard Annex 9, section 2).
pub fn is_unseen(letter: char) -> bool {
    letter.is_control()
        || matches!(letter, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// A text for a terminal: unseen characters as their escapes, but for the ends of lines and tabs.
pub fn escaped(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\n' | '\t' => shown.push(letter),
            letter if is_unseen(letter) => shown.extend(letter.escape_unicode()),
            letter => shown.push(letter),
        }
    }
    shown
}

/// JSON with its own escapes for characters that nobody sees, so that a terminal shows them. Only its strings
/// can have such characters.
pub fn escaped_in_json(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for letter in text.chars() {
        if letter == '\n' || !is_unseen(letter) {
            shown.push(letter);
            continue;
        }
        // UTF-16, as RFC 8259, section 7 has it.
        for unit in letter.encode_utf16(&mut [0; 2]) {
            shown += &format!("\\u{unit:04x}");
        }
    }
    shown
}

/// Longest message that quotes what stands in a file, letters: some lines of a terminal.
const LONGEST_MESSAGE: usize = 400;

/// A message that quotes what stands in a file, with its middle left out where it is long.
pub fn shortened(message: &str) -> String {
    /// What is shown of the end, where messages often say what was expected.
    const END: usize = 100;
    let letters = message.chars().count();
    if letters <= LONGEST_MESSAGE {
        return message.into();
    }
    let beginning = message.chars().take(LONGEST_MESSAGE - END);
    let end = message.chars().skip(letters - END);
    beginning.chain(" … ".chars()).chain(end).collect()
}

/// A text for a page: without unseen characters, but for the ends of lines and tabs.
pub fn without_unseen(text: &str) -> String {
    let is_shown = |letter: &char| matches!(letter, '\n' | '\t') || !is_unseen(*letter);
    text.chars().filter(is_shown).collect()
}

/// A text for a cell of a table that a spreadsheet may open: one that begins like a formula gets an
/// apostrophe before it, which spreadsheets take for "this is text" (OWASP, "CSV Injection").
pub fn harmless_cell(text: &str) -> String {
    let text = without_unseen(text);
    match text.trim_start().starts_with(['=', '+', '-', '@']) {
        true => format!("'{text}"),
        false => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unseen_characters_are_escaped_in_a_terminal_and_left_out_of_pages() {
        let name = "left\u{1b}[31m \u{202e}flap\r";
        assert_eq!(escaped(name), "left\\u{1b}[31m \\u{202e}flap\\u{d}");
        assert_eq!(without_unseen(name), "left[31m flap");
        for plain in ["Höhenruder, ±0.3°\n\tzwei", "右副翼", ""] {
            assert_eq!(
                (escaped(plain), without_unseen(plain)),
                (plain.into(), plain.into())
            );
        }
    }

    #[test]
    fn formulas_become_text() {
        for formula in ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "\t=1", "\r=1"] {
            assert!(harmless_cell(formula).starts_with('\''), "{formula:?}");
        }
        assert_eq!(harmless_cell("left flap"), "left flap");
    }

    #[test]
    fn long_messages_keep_both_ends() {
        let long = format!("begin{}end", "ö".repeat(1000));
        let short = shortened(&long);
        assert!(short.starts_with("begin") && short.ends_with("end"));
        assert_eq!(short.chars().count(), LONGEST_MESSAGE + 3);
        assert_eq!(shortened("short"), "short");
    }

    #[test]
    fn letters_are_counted_not_bytes() {
        assert!(!is_too_long(&"ö".repeat(LONGEST_NAME)));
        assert!(is_too_long(&"o".repeat(LONGEST_NAME + 1)));
    }

    #[test]
    fn a_file_names_what_is_in_it() {
        assert_eq!(of_file(Path::new("models/my jet.v2.toml")), "my jet.v2");
        let long = format!("{}.toml", "ö".repeat(LONGEST_NAME + 9));
        assert_eq!(of_file(Path::new(&long)), "ö".repeat(LONGEST_NAME));
        assert_eq!(of_file(Path::new("..")), "");
    }

    #[test]
    fn tags_are_listed_in_words() {
        assert_eq!(tags(&[7]), "tag 7");
        assert_eq!(tags(&std::collections::BTreeSet::from([8, 7])), "tags 7, 8");
        assert_eq!([but_tags(&[]), but_tags(&[7])], ["", ", but tag 7 was"]);
        assert_eq!(but_tags(&[131, 132]), ", but tags 131, 132 were");
    }
}
