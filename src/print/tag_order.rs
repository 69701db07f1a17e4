//! An order for a printed tag: id, size and purpose.

use super::error::PrintError;

/// A tag to be printed.
#[derive(Debug, Clone, PartialEq)]
pub struct TagOrder {
    /// Id in the family 36h11.
    pub id: u32,
    /// Outer edge of the black square.
    pub edge_mm: f64,
    /// Its purpose: the surface's name.
    pub name: Option<String>,
}

impl TagOrder {
    /// A tag that is not for any surface in particular.
    pub fn unnamed(id: u32, edge_mm: f64) -> Self {
        Self {
            id,
            edge_mm,
            name: None,
        }
    }

    /// Reads `ID`, `ID:EDGE_MM`, `FIRST-LAST` or `FIRST-LAST:EDGE_MM`.
    pub fn parse(text: &str, default_edge_mm: f64) -> Result<Vec<Self>, PrintError> {
        let unreadable = || PrintError::TagUnreadable { text: text.into() };
        let (ids, edge_mm) = match text.split_once(':') {
            Some((ids, edge)) => (ids, edge.trim().parse().map_err(|_| unreadable())?),
            None => (text, default_edge_mm),
        };
        let (first, last) = ids.split_once('-').unwrap_or((ids, ids));
        let number = |part: &str| part.trim().parse::<u32>().map_err(|_| unreadable());
        let (first, last) = (number(first)?, number(last)?);
        if first > last {
            return Err(unreadable());
        }
        // An id beyond the family is refused by name, without listing millions of others first.
        let last = last.min(first.saturating_add(1000));
        Ok((first..=last)
            .map(|id| Self::unnamed(id, edge_mm))
            .collect())
    }
}
