//! The lines of a file around a fault, cut where they are long.

use std::ops::Range;

use crate::names::is_unseen;
use miette::{MietteError, MietteSpanContents, SourceCode, SourceSpan, SpanContents};

/// Longest text that is shown around a fault, and what of it is shown of longer ones to each side of the
/// fault, bytes. Usual lines have 80.
const MOST_BYTES: usize = 400;
const EACH_SIDE_BYTES: usize = 60;

/// Longest part of a text that is marked, bytes.
const MOST_MARKED_BYTES: usize = 60;

/// The text of a file, of which lines are shown.
#[derive(Debug)]
pub(super) struct Excerpt {
    name: String,
    text: String,
}

/// A marked part, no longer than [`MOST_MARKED_BYTES`].
pub(super) fn marked(span: Range<usize>) -> Range<usize> {
    span.start..span.end.min(span.start + MOST_MARKED_BYTES)
}

impl Excerpt {
    pub(super) fn new(name: String, text: String) -> Self {
        Self {
            name,
            text: without_control(&text),
        }
    }

    /// The part of its line around a span, with the number of the line and the column at which it begins.
    fn cut(&self, span: &SourceSpan) -> (Range<usize>, usize, usize) {
        let (start, end) = (span.offset(), span.offset() + span.len());
        let before = self.text.get(..start).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let behind = self.text.get(end..).unwrap_or_default();
        let line_end = behind.find('\n').map_or(self.text.len(), |at| end + at);
        let from = start.saturating_sub(EACH_SIDE_BYTES).max(line_start);
        let to = (end + EACH_SIDE_BYTES).min(line_end);
        let shown = self.text.floor_char_boundary(from)..self.text.ceil_char_boundary(to);
        let line = before.matches('\n').count();
        let column = shown.start - line_start;
        (shown, line, column)
    }
}

/// The text with a sign of the same length for each control character, so that all places stay.
fn without_control(text: &str) -> String {
    let shown = text.chars().map(|letter| match letter {
        '\n' | '\r' | '\t' => letter,
        letter if !is_unseen(letter) => letter,
        letter => match letter.len_utf8() {
            1 => '?',
            2 => '¿',
            _ => char::REPLACEMENT_CHARACTER,
        },
    });
    shown.collect()
}

impl SourceCode for Excerpt {
    fn read_span<'a>(
        &'a self,
        span: &SourceSpan,
        lines_before: usize,
        lines_after: usize,
    ) -> Result<Box<dyn SpanContents<'a> + 'a>, MietteError> {
        if span.len() > MOST_BYTES {
            // Two faults that lie far apart are shown one by one.
            return Err(MietteError::OutOfBounds);
        }
        let whole = self.text.read_span(span, lines_before, lines_after)?;
        let (mut at, mut data) = (*whole.span(), whole.data());
        let mut place = (whole.line(), whole.column());
        if data.len() > MOST_BYTES {
            let (shown, line, column) = self.cut(span);
            at = (shown.start, shown.len()).into();
            data = &self.text.as_bytes()[shown];
            place = (line, column);
        }
        let name = self.name.clone();
        Ok(Box::new(MietteSpanContents::new_named(
            name, data, at, place.0, place.1, 1,
        )))
    }
}
