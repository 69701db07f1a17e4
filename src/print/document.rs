//! The sheets of one print.

use super::frame::Page;
use super::pdf;
use super::sheet::Sheet;

/// Sheets that are printed together.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// What the reader's window and the printer's list call it.
    pub title: String,
    /// In the order of printing.
    pub sheets: Vec<Sheet>,
}

impl Document {
    /// Numbers the pages.
    pub(super) fn bound(title: impl Into<String>, pages: Vec<Page>) -> Self {
        let of = pages.len();
        let sheets = pages
            .into_iter()
            .enumerate()
            .map(|(index, page)| page.numbered(index + 1, of))
            .collect();
        Self {
            title: title.into(),
            sheets,
        }
    }

    /// The PDF file: vectors only, in exact millimetres, with the viewer's own scaling off. The
    /// same document gives the same bytes.
    pub fn pdf(&self) -> Vec<u8> {
        pdf::write(self)
    }
}
