//! Values of options that are more than a number or a name.

use std::str::FromStr;

use crate::names;

/// Most squares of a board in a row or a column: more cannot be distinguished in a picture.
const MOST_ACROSS: usize = 100;

/// A name of an aircraft, a surface or a camera.
pub fn name(text: &str) -> Result<String, String> {
    match names::is_too_long(text) {
        true => Err(format!(
            "a name has at most {} letters",
            names::LONGEST_NAME
        )),
        false => Ok(text.into()),
    }
}

/// Columns and rows, written `9x6`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Grid {
    /// Number across.
    pub columns: usize,
    /// Number down.
    pub rows: usize,
}

impl FromStr for Grid {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let numbers = text.split_once(['x', 'X', '×']);
        let parse = |number: &str| number.trim().parse().ok().filter(|&number| number > 0);
        let grid = numbers
            .and_then(|(columns, rows)| {
                Some(Self {
                    columns: parse(columns)?,
                    rows: parse(rows)?,
                })
            })
            .ok_or("write columns and rows, such as 9x6")?;
        match grid.columns.max(grid.rows) > MOST_ACROSS {
            true => Err(format!("a board has at most {MOST_ACROSS} squares a side")),
            false => Ok(grid),
        }
    }
}

/// A length in millimetres, above 0.
pub fn length_mm(text: &str) -> Result<f64, String> {
    positive(text, "a length in mm above 0, such as 24.5")
}

/// A number above 0.
pub fn positive_number(text: &str) -> Result<f64, String> {
    positive(text, "a number above 0")
}

fn positive(text: &str, expected: &str) -> Result<f64, String> {
    text.parse::<f64>()
        .ok()
        .filter(|number| number.is_finite() && *number > 0.0)
        .ok_or_else(|| format!("write {expected}"))
}
