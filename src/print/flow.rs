//! Fills sheets with blocks, row by row.

use nalgebra::Point2;

use super::frame::Page;
use super::sheet::Item;

/// Between two blocks.
pub(super) const GAP_MM: f64 = 4.0;

/// Items that stay together, laid out from the block's own top-left corner.
pub(super) struct Block {
    pub width_mm: f64,
    pub height_mm: f64,
    pub items: Vec<Item>,
}

/// Puts the blocks in order on as many copies of an empty page as they need.
///
/// A block must be no larger than the page's room.
pub(super) fn flow(blocks: Vec<Block>, empty: &Page) -> Vec<Page> {
    let room = empty.room;
    let mut pages = vec![empty.clone()];
    let mut next = Point2::new(room.left_mm, room.top_mm);
    let mut row_height_mm = 0.0_f64;
    for block in blocks {
        if next.x + block.width_mm > room.right_mm() + ROUNDING_MM {
            next = Point2::new(room.left_mm, next.y + row_height_mm + GAP_MM);
            row_height_mm = 0.0;
        }
        if next.y + block.height_mm > room.bottom_mm() + ROUNDING_MM {
            pages.push(empty.clone());
            next = Point2::new(room.left_mm, room.top_mm);
            row_height_mm = 0.0;
        }
        if let Some(page) = pages.last_mut() {
            page.place(block.items, next);
        }
        next.x += block.width_mm + GAP_MM;
        row_height_mm = row_height_mm.max(block.height_mm);
    }
    pages
}

/// Sums of lengths that should fill the room exactly may pass it by rounding.
const ROUNDING_MM: f64 = 1e-6;
