//! Change detection: where a picture differs from when it was last searched.
//!
//! A camera on a tripod sees the same room all the time. A part that was searched is not searched
//! again before something moves.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::rect::Rect;
use crate::clip::GreyImage;

/// Cells across a picture at most; fewer where they would have less than [`SMALLEST_CELL_PX`].
const MOST_CELLS_ACROSS: usize = 240;

/// Cells are smaller than the smallest tag that is looked for.
const SMALLEST_CELL_PX: usize = 8;

/// Every so many rows of a cell are added: enough to keep the noise of its mean below a level.
const ROW_STEP: usize = 4;

/// Difference of a mean that counts as a change, levels: twice the effect of compression and
/// flicker, and small against the contrast of a tag.
const CHANGED_LEVELS: u8 = 6;

/// Changed cells so far apart still belong to one thing, cells.
const REACH_CELLS: usize = 2;

/// Margin around a change that is searched at least, cells: a tag on white ground shows only in its
/// black parts.
const LEAST_ROOM_CELLS: usize = 3;

/// Where changes and their margins cover more of the picture, the whole of it is searched.
const MOST_CHANGED: f64 = 0.5;

/// The brightness of a picture in coarse cells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct Cells {
    size_px: [usize; 2],
    cell_px: usize,
    across: usize,
    means: Vec<u8>,
}

impl Cells {
    /// Those of a picture; an incomplete cell at its right and lower border has none.
    pub fn of(image: &GreyImage) -> Self {
        let cell_px = image
            .width_px
            .div_ceil(MOST_CELLS_ACROSS)
            .max(SMALLEST_CELL_PX);
        let across = image.width_px / cell_px;
        let rows = cell_px.div_ceil(ROW_STEP);
        let mut means = Vec::with_capacity(across * (image.height_px / cell_px));
        let mut sums = vec![0_u32; across];
        for band in image.pixels.chunks_exact(image.width_px * cell_px) {
            sums.fill(0);
            for row in band.chunks_exact(image.width_px).step_by(ROW_STEP) {
                for (sum, cell) in sums.iter_mut().zip(row.chunks_exact(cell_px)) {
                    *sum += cell.iter().map(|&value| u32::from(value)).sum::<u32>();
                }
            }
            let pixels = (rows * cell_px) as u32;
            means.extend(sums.iter().map(|sum| (sum / pixels) as u8));
        }
        Self {
            size_px: [image.width_px, image.height_px],
            cell_px,
            across,
            means,
        }
    }

    /// The parts of a later picture that differ, with a margin of `room_px`; `None` for a picture
    /// of another size.
    pub fn changed(&self, later: &Self, room_px: f64) -> Option<Vec<Rect>> {
        if self.size_px != later.size_px {
            return None;
        }
        let pairs = self.means.iter().zip(&later.means);
        let mut changed: Vec<bool> = pairs
            .map(|(before, &later)| before.abs_diff(later) > CHANGED_LEVELS)
            .collect();
        let room = (room_px / self.cell_px as f64).ceil() as usize;
        let parts = self.parts(&mut changed, room.max(LEAST_ROOM_CELLS));
        let cells: usize = parts.iter().map(Rect::area).sum();
        let few = cells as f64 <= MOST_CHANGED * self.means.len() as f64;
        few.then(|| parts.iter().map(|part| self.in_px(part)).collect())
    }

    /// Boxes around the groups of changed cells, in cells; `changed` is used up.
    fn parts(&self, changed: &mut [bool], room: usize) -> Vec<Rect> {
        let size = [self.across, changed.len() / self.across.max(1)];
        let mut parts = Vec::new();
        for first in 0..changed.len() {
            if changed[first] {
                let group = take_group(changed, size, first);
                parts.push(group.grown(room, size));
            }
        }
        parts
    }

    /// A part given in cells; one that reaches the last cell goes on to the picture's border.
    fn in_px(&self, part: &Rect) -> Rect {
        let in_px = |cells: &Range<usize>, size_px: usize| {
            let end_px = cells.end * self.cell_px;
            let to_border = size_px - end_px < self.cell_px;
            cells.start * self.cell_px..if to_border { size_px } else { end_px }
        };
        let [width_px, height_px] = self.size_px;
        Rect {
            columns: in_px(&part.columns, width_px),
            rows: in_px(&part.rows, height_px),
        }
    }
}

/// The box around all changed cells that hang together with the first one.
fn take_group(changed: &mut [bool], size: [usize; 2], first: usize) -> Rect {
    let at = |cell: usize| [cell % size[0], cell / size[0]];
    let mut group = Rect::single(at(first));
    let mut open = vec![first];
    changed[first] = false;
    while let Some(cell) = open.pop() {
        let around = Rect::single(at(cell));
        group = group.with(&around);
        let near = around.grown(REACH_CELLS, size);
        for row in near.rows {
            for column in near.columns.clone() {
                let next = row * size[0] + column;
                if std::mem::take(&mut changed[next]) {
                    open.push(next);
                }
            }
        }
    }
    group
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE_PX: [usize; 2] = [1000, 500];

    /// A wall with a texture of its own, whose brightness follows `light`, with noise whose pattern
    /// depends on `frame`.
    fn wall(light: i32, frame: u32) -> Vec<i32> {
        let [width_px, height_px] = SIZE_PX;
        (0..(width_px * height_px) as u32)
            .map(|pixel| {
                let texture = (pixel / 13 % 70) as i32;
                let noise = pixel.wrapping_add(frame * 7919).wrapping_mul(2_654_435_761) >> 28;
                80 + texture + light + noise as i32 - 8
            })
            .collect()
    }

    fn cells(pixels: Vec<i32>) -> Cells {
        let [width_px, height_px] = SIZE_PX;
        let pixels = pixels.into_iter().map(|value| value.clamp(0, 255) as u8);
        Cells::of(&GreyImage {
            width_px,
            height_px,
            pixels: pixels.collect(),
        })
    }

    /// Stripes of black and white in a square.
    fn put_square(pixels: &mut [i32], [left, top]: [usize; 2], edge_px: usize) {
        for row in top..top + edge_px {
            for column in left..left + edge_px {
                let white = (column - left) / 6 % 2 == 0;
                pixels[row * SIZE_PX[0] + column] = if white { 230 } else { 20 };
            }
        }
    }

    #[test]
    fn noise_is_no_change() {
        let before = cells(wall(0, 1));
        for frame in 2..20 {
            assert_eq!(before.changed(&cells(wall(0, frame)), 0.0), Some(vec![]));
        }
    }

    #[test]
    fn a_change_is_in_one_part_with_room_around_it() {
        let before = cells(wall(0, 1));
        for (place, edge_px) in [([300, 200], 22), ([611, 97], 40), ([205, 303], 150)] {
            let mut pixels = wall(0, 2);
            put_square(&mut pixels, place, edge_px);
            let parts = before.changed(&cells(pixels), 0.0).unwrap();
            let [part] = &parts[..] else {
                panic!("{parts:?}")
            };
            for (range, from) in [(&part.columns, place[0]), (&part.rows, place[1])] {
                assert!(range.start + 8 <= from && from + edge_px + 8 <= range.end);
                assert!(range.len() <= edge_px + 80, "{part:?}");
            }
        }
    }

    #[test]
    fn so_much_room_is_left_as_asked_for_and_the_border_belongs_to_it() {
        let before = cells(wall(0, 1));
        let mut pixels = wall(0, 2);
        put_square(&mut pixels, [880, 440], 24);
        let parts = before.changed(&cells(pixels), 100.0).unwrap();
        assert_eq!(parts.len(), 1);
        // 1000 px are 125 cells, 500 px are 62 and a half.
        assert_eq!((parts[0].columns.end, parts[0].rows.end), (1000, 500));
        assert!(parts[0].columns.start <= 780 && parts[0].rows.start <= 340);
    }

    #[test]
    fn two_things_far_apart_are_two_parts() {
        let before = cells(wall(0, 1));
        let mut pixels = wall(0, 2);
        put_square(&mut pixels, [100, 50], 40);
        put_square(&mut pixels, [960, 460], 40);
        let parts = before.changed(&cells(pixels), 0.0).unwrap();
        assert_eq!(parts.len(), 2);
        assert!(parts.iter().all(|part| part.columns.end <= SIZE_PX[0]));
        assert!(parts.iter().all(|part| part.rows.end <= SIZE_PX[1]));
    }

    #[test]
    fn other_light_or_another_size_is_another_picture() {
        let before = cells(wall(0, 1));
        assert_eq!(before.changed(&cells(wall(20, 2)), 0.0), None);
        let smaller = GreyImage {
            width_px: 500,
            height_px: 1000,
            pixels: vec![80; 500_000].into(),
        };
        assert_eq!(before.changed(&Cells::of(&smaller), 0.0), None);
    }
}
