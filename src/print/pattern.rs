//! Patterns for the camera: tags and boards in black and white.

use super::error::PrintError;
use super::sheet::{Area, Pattern, PointMm};
use crate::vision::Dictionary;

/// Below this edge a cell of a tag is 0.75 mm, about what office printers draw cleanly (common
/// practice, no source).
pub const SMALLEST_EDGE_MM: f64 = 6.0;

/// Cells along the black square of a 36h11 tag, its one-cell border included.
const CELLS_PER_EDGE: f64 = 8.0;

/// The blur of a lens is about two pixels, and an edge fit needs a plateau of white beyond it;
/// on the smallest tags one cell is less than that.
const SMALLEST_WHITE_MARGIN_MM: f64 = 1.5;

/// White that must stay around a tag of this edge: one cell, as in the official drawings, and at
/// least 1.5 mm.
pub fn white_margin_mm(edge_mm: f64) -> f64 {
    (edge_mm / CELLS_PER_EDGE).max(SMALLEST_WHITE_MARGIN_MM)
}

/// Refuses edges that are no length or too small to print.
pub(super) fn require_printable(edge_mm: f64) -> Result<(), PrintError> {
    if edge_mm >= SMALLEST_EDGE_MM && edge_mm.is_finite() {
        return Ok(());
    }
    Err(PrintError::TagTooSmall {
        edge_mm,
        smallest_mm: SMALLEST_EDGE_MM,
    })
}

/// A 36h11 tag as the AprilTag project draws it, upright.
pub(super) fn tag(id: u32, edge_mm: f64, top_left: PointMm) -> Result<Pattern, PrintError> {
    require_printable(edge_mm)?;
    let Some(cells) = Dictionary::official_tag_cells(id)? else {
        let (count, _) = Dictionary::APRILTAG_36H11.size()?;
        return Err(PrintError::IdOutsideFamily {
            id,
            last: (count as u32).saturating_sub(1),
        });
    };
    let outline = Area::new(top_left.x, top_left.y, edge_mm, edge_mm);
    Ok(Pattern {
        outline,
        white_margin_mm: white_margin_mm(edge_mm),
        black: black_runs(&cells, &outline),
    })
}

/// The black cells of each row joined to runs, inside a square; `true` is white.
pub(super) fn black_runs(cells: &[Vec<bool>], square: &Area) -> Vec<Area> {
    let cell_mm = square.height_mm / cells.len() as f64;
    let mut runs = Vec::new();
    for (row, values) in cells.iter().enumerate() {
        let top_mm = square.top_mm + row as f64 * cell_mm;
        let mut column = 0;
        for run in values.chunk_by(|left, right| left == right) {
            if !run[0] {
                let left_mm = square.left_mm + column as f64 * cell_mm;
                runs.push(Area::new(
                    left_mm,
                    top_mm,
                    run.len() as f64 * cell_mm,
                    cell_mm,
                ));
            }
            column += run.len();
        }
    }
    runs
}
