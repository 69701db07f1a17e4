//! Common mistakes in a file that is not valid TOML, and what to write instead.

use std::fmt;
use std::ops::Range;

/// Quotation marks that word processors and phones put in place of straight ones.
const CURLY: [char; 7] = ['“', '”', '„', '‘', '’', '«', '»'];

/// A slip in the value of a key.
#[derive(Debug, Clone, PartialEq)]
pub enum Slip {
    /// A number with a decimal comma.
    DecimalComma {
        /// The number with a point.
        meant: String,
    },
    /// A text between curly quotes.
    CurlyQuotes,
    /// A number with a unit behind it.
    Unit {
        /// The number alone.
        number: String,
    },
    /// A text without its second quote.
    OpenQuote,
    /// A text without quotes.
    NoQuotes {
        /// The text.
        text: String,
    },
}

impl Slip {
    /// The slip in the line of a fault, if it is one of these.
    pub(super) fn at(text: &str, span: &Range<usize>) -> Option<Self> {
        let start = text.floor_char_boundary(span.start);
        let (before, behind) = text.split_at(start);
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let line_end = behind.find('\n').map_or(text.len(), |at| start + at);
        let (_, value) = text[line_start..line_end].split_once('=')?;
        Self::of(value.trim())
    }

    fn of(value: &str) -> Option<Self> {
        if value.starts_with(CURLY) {
            return Some(Self::CurlyQuotes);
        }
        if value.starts_with('"') {
            let quotes = value.matches('"').count();
            return (quotes == 1).then_some(Self::OpenQuote);
        }
        let value = value.split('#').next().unwrap_or_default().trim();
        // The fault of the line is another one, such as a key that is there twice.
        if matches!(value, "true" | "false") || value.parse::<f64>().is_ok() {
            return None;
        }
        if value.starts_with(char::is_alphabetic) && !value.contains('"') {
            let text = value.to_owned();
            return Some(Self::NoQuotes { text });
        }
        let meant = value.replacen(',', ".", 1);
        if meant != value && meant.parse::<f64>().is_ok() {
            return Some(Self::DecimalComma { meant });
        }
        let number_end =
            value.find(|letter: char| !matches!(letter, '0'..='9' | '.' | '-' | '+'))?;
        let (number, unit) = value.split_at(number_end);
        let is_unit = unit
            .trim_start()
            .starts_with(|letter: char| letter.is_alphabetic() || "°%".contains(letter));
        (is_unit && number.parse::<f64>().is_ok()).then(|| Self::Unit {
            number: number.to_owned(),
        })
    }
}

/// What to write instead.
impl fmt::Display for Slip {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::DecimalComma { meant } => {
                write!(formatter, "write {meant}: numbers have a decimal point")
            }
            Self::CurlyQuotes => write!(formatter, "use straight quotes: \""),
            Self::Unit { number } => write!(
                formatter,
                "write {number} alone: the name of the key gives the unit"
            ),
            Self::OpenQuote => write!(formatter, "close the text with a second quote: \""),
            Self::NoQuotes { text } => write!(formatter, "put the text in quotes: \"{text}\""),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(line: &str) -> Option<String> {
        let text = format!("format = 1\n{line}\nlast = 2\n");
        let place = text.find(line).unwrap() + line.len() - 1;
        Slip::at(&text, &(place..place + 1)).map(|slip| slip.to_string())
    }

    #[test]
    fn the_usual_slips_are_recognised() {
        let cases = [
            ("tolerance_deg = 0,3", "write 0.3: numbers"),
            ("tolerance_deg = -0,3 # degrees", "write -0.3: numbers"),
            ("name = “Heron”", "straight quotes"),
            ("name = „Heron“", "straight quotes"),
            ("edge_mm = 20 mm", "write 20 alone"),
            ("edge_mm = 20mm", "write 20 alone"),
            ("tolerance_deg = 0.3°", "write 0.3 alone"),
            ("name = \"Heron", "second quote"),
            ("side = left", "in quotes: \"left\""),
            ("side = left # or \"right\"", "in quotes: \"left\""),
        ];
        for (line, expected) in cases {
            let advice = at(line).unwrap_or_default();
            assert!(advice.contains(expected), "{line}: {advice}");
        }
    }

    #[test]
    fn other_faults_have_no_advice_that_may_be_wrong() {
        for line in [
            "order = [0 1]",
            "name \"Heron\"",
            "name = \"a\" \"b\"",
            "= 3",
            "points = [0,5, 1",
            "upright = true",
            "edge_mm = 2e1",
        ] {
            assert_eq!(at(line), None, "{line}");
        }
    }
}
