//! JSON that a person can read: fields on lines of their own, lists of figures on one line.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::ser::{Formatter, Serializer};

/// The document as text, with a line break at its end; about so many bytes are expected, since text
/// that outgrows its room takes up twice as much while it moves.
pub(super) fn to_string<T: Serialize>(
    document: &T,
    expected_bytes: usize,
) -> Result<String, serde_json::Error> {
    let mut bytes = Vec::with_capacity(expected_bytes);
    document.serialize(&mut Serializer::with_formatter(&mut bytes, Tidy::default()))?;
    bytes.push(b'\n');
    String::from_utf8(bytes).map_err(serde::ser::Error::custom)
}

/// One level of nesting.
#[derive(Clone, Copy)]
struct Level {
    is_list: bool,
    has_nested: bool,
}

/// Breaks the line before every field, and before entries of lists that are themselves nested.
#[derive(Default)]
struct Tidy {
    levels: Vec<Level>,
}

impl Tidy {
    fn line<W: ?Sized + Write>(&self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b"\n")?;
        for _ in &self.levels {
            writer.write_all(b"  ")?;
        }
        Ok(())
    }

    fn open<W: ?Sized + Write>(&mut self, writer: &mut W, is_list: bool) -> io::Result<()> {
        let in_list = self.levels.last().is_some_and(|level| level.is_list);
        if let Some(level) = self.levels.last_mut() {
            level.has_nested = true;
        }
        if in_list {
            self.line(writer)?;
        }
        self.levels.push(Level {
            is_list,
            has_nested: false,
        });
        writer.write_all(if is_list { b"[" } else { b"{" })
    }

    fn close<W: ?Sized + Write>(&mut self, writer: &mut W, bracket: &[u8]) -> io::Result<()> {
        if self.levels.pop().is_some_and(|level| level.has_nested) {
            self.line(writer)?;
        }
        writer.write_all(bracket)
    }
}

impl Formatter for Tidy {
    fn begin_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.open(writer, true)
    }

    fn end_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.close(writer, b"]")
    }

    fn begin_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.open(writer, false)
    }

    fn end_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.close(writer, b"}")
    }

    fn begin_object_key<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        if !first {
            writer.write_all(b",")?;
        }
        if let Some(level) = self.levels.last_mut() {
            level.has_nested = true;
        }
        self.line(writer)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }
}
