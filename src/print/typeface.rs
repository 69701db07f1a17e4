//! The two typefaces, and how wide text in them is.
//!
//! Every PDF reader has the base fonts, so nothing is embedded. Text is encoded as WinAnsi (ISO
//! 32000-1, annex D); characters outside it are spelled with letters in it.

use deunicode::deunicode_char;

/// Millimetres per typographic point (1/72 inch).
pub(super) const MM_PER_PT: f64 = 25.4 / 72.0;

/// Height of the tallest letters over the base line (Helvetica's `Ascender`, rounded up).
pub(super) const ASCENT_EM: f64 = 0.74;

/// Depth of the deepest letters under the base line (Helvetica's `Descender`, rounded up).
pub(super) const DESCENT_EM: f64 = 0.22;

/// Height of capitals and numerals (Helvetica's `CapHeight`).
pub(super) const CAP_HEIGHT_EM: f64 = 0.718;

/// A typeface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Face {
    /// Helvetica.
    Regular,
    /// Helvetica-Bold.
    Bold,
}

/// Length of a line of text.
pub fn text_width_mm(text: &str, face: Face, size_pt: f64) -> f64 {
    let widths = match face {
        Face::Regular => &REGULAR_WIDTHS,
        Face::Bold => &BOLD_WIDTHS,
    };
    let thousandths: u32 = win_ansi(text)
        .into_iter()
        .map(|code| u32::from(widths[usize::from(code - FIRST_CODE)]))
        .sum();
    f64::from(thousandths) / 1000.0 * size_pt * MM_PER_PT
}

/// The text in WinAnsi encoding, none of its bytes below [`FIRST_CODE`]. A character that the encoding
/// lacks is spelled with ASCII, or as a question mark where that is not known; all white space is
/// a space.
pub(super) fn win_ansi(text: &str) -> Vec<u8> {
    let mut codes = Vec::with_capacity(text.len());
    for character in text.chars() {
        match win_ansi_code(character) {
            Some(code) => codes.push(code),
            None if character.is_whitespace() => codes.push(b' '),
            None => {
                let spelled = deunicode_char(character).unwrap_or_default();
                let printed = |byte: &u8| (FIRST_CODE..=b'~').contains(byte);
                let before = codes.len();
                codes.extend(spelled.bytes().filter(printed));
                if codes.len() == before {
                    codes.push(b'?');
                }
            }
        }
    }
    codes
}

fn win_ansi_code(character: char) -> Option<u8> {
    Some(match character {
        ' '..='~' | '\u{a0}'..='\u{ff}' => character as u8,
        '€' => 0x80,
        '…' => 0x85,
        'Š' => 0x8a,
        'Œ' => 0x8c,
        'Ž' => 0x8e,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '•' => 0x95,
        // There is no minus sign; the en dash is as wide as a figure and replaces it.
        '–' | '−' => 0x96,
        '—' => 0x97,
        'š' => 0x9a,
        'œ' => 0x9c,
        'ž' => 0x9e,
        'Ÿ' => 0x9f,
        _ => return None,
    })
}

/// The text broken between words into lines no longer than `width_mm`; a word that is longer
/// than that is shortened.
pub(super) fn wrapped(text: &str, face: Face, size_pt: f64, width_mm: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let longer = lines.last().map(|line| format!("{line} {word}"));
        match (longer, lines.last_mut()) {
            (Some(longer), Some(line)) if text_width_mm(&longer, face, size_pt) <= width_mm => {
                *line = longer;
            }
            _ => lines.push(shortened(word, face, size_pt, width_mm)),
        }
    }
    lines
}

/// The text, or as much of its beginning as fits into `width_mm` together with an ellipsis.
pub(super) fn shortened(text: &str, face: Face, size_pt: f64, width_mm: f64) -> String {
    if text_width_mm(text, face, size_pt) <= width_mm {
        return text.into();
    }
    let mut kept: Vec<char> = text.chars().collect();
    loop {
        let candidate: String = kept.iter().collect::<String>().trim_end().to_owned() + "…";
        if kept.is_empty() || text_width_mm(&candidate, face, size_pt) <= width_mm {
            return candidate;
        }
        kept.pop();
    }
}

/// A number as it is printed: rounded to hundredths, without idle zeros.
pub(super) fn figure(value: f64) -> String {
    // Adding zero makes a rounded −0 positive.
    format!("{}", (value * 100.0).round() / 100.0 + 0.0)
}

/// The largest size of type, up to `largest_pt`, at which the text is no longer than `width_mm`.
pub(super) fn fitting_size_pt(text: &str, face: Face, width_mm: f64, largest_pt: f64) -> f64 {
    let width_at_one_pt_mm = text_width_mm(text, face, 1.0);
    largest_pt.min(width_mm / width_at_one_pt_mm.max(f64::MIN_POSITIVE))
}

/// The first code of the tables below.
const FIRST_CODE: u8 = 32;

/// Widths of Helvetica for the WinAnsi codes 32 to 255, thousandths of an em
/// (Adobe's published metrics of the 14 base fonts, `Helvetica.afm`).
#[rustfmt::skip]
const REGULAR_WIDTHS: [u16; 224] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,
    1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,
    333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,
    556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584, 350,
    556, 350, 222, 556, 333, 1000, 556, 556, 333, 1000, 667, 333, 1000, 350, 611, 350,
    350, 222, 222, 333, 333, 350, 556, 1000, 333, 1000, 500, 333, 944, 350, 500, 667,
    278, 333, 556, 556, 556, 556, 260, 556, 333, 737, 370, 556, 584, 333, 737, 333,
    400, 584, 333, 333, 333, 556, 537, 278, 333, 333, 365, 556, 834, 834, 834, 611,
    667, 667, 667, 667, 667, 667, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278,
    722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611,
    556, 556, 556, 556, 556, 556, 889, 500, 556, 556, 556, 556, 278, 278, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 584, 611, 556, 556, 556, 556, 500, 556, 500,
];

/// Widths of Helvetica-Bold (`Helvetica-Bold.afm`), as above.
#[rustfmt::skip]
const BOLD_WIDTHS: [u16; 224] = [
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 333, 333, 584, 584, 584, 611,
    975, 722, 722, 722, 722, 667, 611, 778, 722, 278, 556, 722, 611, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333, 278, 333, 584, 556,
    333, 556, 611, 556, 611, 556, 333, 611, 611, 278, 278, 556, 278, 889, 611, 611,
    611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584, 350,
    556, 350, 278, 556, 500, 1000, 556, 556, 333, 1000, 667, 333, 1000, 350, 611, 350,
    350, 278, 278, 500, 500, 350, 556, 1000, 333, 1000, 556, 333, 944, 350, 500, 667,
    278, 333, 556, 556, 556, 556, 280, 556, 333, 737, 370, 556, 584, 333, 737, 333,
    400, 584, 333, 333, 333, 611, 556, 278, 333, 333, 365, 556, 834, 834, 834, 611,
    722, 722, 722, 722, 722, 722, 1000, 722, 667, 667, 667, 667, 278, 278, 278, 278,
    722, 722, 778, 778, 778, 778, 778, 584, 778, 722, 722, 722, 722, 667, 667, 611,
    556, 556, 556, 556, 556, 556, 889, 556, 556, 556, 556, 556, 278, 278, 278, 278,
    611, 611, 611, 611, 611, 611, 611, 584, 611, 611, 611, 611, 611, 556, 611, 556,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_encoding_lacks_is_spelled() {
        for (text, printed) in [
            ("Flügel links, 5 €", &b"Fl\xfcgel links, 5 \x80"[..]),
            ("Křídlo", b"Kr\xeddlo"),
            ("Łabędź", b"Labedz"),
            ("Крыло", b"Krylo"),
            ("a\tb\u{1}\u{e000}", b"a b??"),
        ] {
            assert_eq!(win_ansi(text), printed, "{text}");
        }
    }

    #[test]
    fn every_character_has_a_width() {
        for character in ('\0'..=char::MAX).step_by(7) {
            let width_mm = text_width_mm(&character.to_string(), Face::Bold, 10.0);
            assert!(width_mm.is_finite() && width_mm >= 0.0);
        }
    }
}
