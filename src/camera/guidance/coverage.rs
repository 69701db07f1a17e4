//! Where in the picture crossings were seen.

use super::super::calibration::BoardView;

/// Cells across the longer side of the picture; a cell is about as large as a square of a board that
/// fills half of it.
const CELLS: usize = 16;

/// How often crossings were seen in each cell of the picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coverage {
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Crossings in each cell, row by row.
    pub counts: Vec<u32>,
}

impl Coverage {
    pub(super) fn of<'a>(
        views: impl Iterator<Item = &'a BoardView>,
        (width_px, height_px): (usize, usize),
    ) -> Self {
        let side_px = width_px.max(height_px).div_ceil(CELLS).max(1);
        let (columns, rows) = (width_px.div_ceil(side_px), height_px.div_ceil(side_px));
        let mut counts = vec![0; columns * rows];
        for point in views.flat_map(|view| &view.points) {
            let cell = point.in_image_px.map(|value| value / side_px as f64);
            let column = (cell.x.max(0.0) as usize).min(columns.saturating_sub(1));
            let row = (cell.y.max(0.0) as usize).min(rows.saturating_sub(1));
            if let Some(count) = counts.get_mut(row * columns + column) {
                *count += 1;
            }
        }
        Self {
            columns,
            rows,
            counts,
        }
    }
}
