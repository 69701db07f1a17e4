//! The sheets of one print.

use super::frame::Page;
use super::sheet::Sheet;

/// Sheets that are printed together.
#[derive(Debug, Clone, PartialEq)]
pub struct Document {
    /// Title in the reader's window and the printer's list.
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
}
