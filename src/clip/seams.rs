//! Seams: pictures that change in one jump towards their end, and jump back at a key frame.
//!
//! A decoder that lost its place may decode nonsense to the end of the picture without a word. The
//! pictures predicted from it keep the nonsense, and the next key frame ends it. Both jumps show: cells of
//! the picture change by far more than in the frames before and after, only from some line on down to the
//! last (in the order of coding), and within a single frame.

use super::GreyImage;
use super::turn::Turn;

/// Side of a cell, px, and the lines of it that are looked at.
const CELL_PX: usize = 16;
const LINE_STEP: usize = 4;

/// A cell jumps where its mean changes by this many codes more than twice what it and its neighbours change
/// in the frames before and after. Noise of a cell's mean is below a code; what moves, moves on.
const JUMP_CODES: f32 = 6.0;
const USUAL_CHANGE: f32 = 2.0;

/// Cells that have to jump among the last ones: of four rows, each of 120 at 1080p. In 1,374 frames of four
/// clips without damage, from a tripod and from the hand, at most one jumps while the first half is quiet; 16
/// to 267 in damaged ones.
const LAST_ROWS: usize = 4;
const LEAST_SHARE: f64 = 0.025;
const LEAST_CELLS: f64 = 12.0;

/// Means of the cells of a picture, row by row in the order of coding.
struct Cells {
    columns: usize,
    means: Vec<f32>,
}

/// A frame, and how it differs from the one before it.
struct Change {
    time_s: f64,
    key: bool,
    /// By how much the mean of each cell changed.
    changes: Vec<f32>,
}

/// Watches the frames of a clip in the order of presentation.
pub(super) struct Seams {
    turn: Turn,
    latest: Option<Cells>,
    /// The latest two changes.
    changes: [Option<Change>; 2],
    /// Times of the frames from a jump on, up to the next key frame.
    suspected_s: Vec<f64>,
    damaged_s: Vec<f64>,
}

impl Seams {
    pub(super) fn new(turn: Turn) -> Self {
        Self {
            turn,
            latest: None,
            changes: [None, None],
            suspected_s: Vec::new(),
            damaged_s: Vec::new(),
        }
    }

    /// The next frame.
    pub(super) fn see(&mut self, time_s: f64, key: bool, image: &GreyImage) {
        let cells = Cells::of(image, self.turn);
        if let Some(last) = &self.latest
            && last.means.len() == cells.means.len()
        {
            let changes = last
                .means
                .iter()
                .zip(&cells.means)
                .map(|(a, b)| (a - b).abs());
            let news = Change {
                time_s,
                key,
                changes: changes.collect(),
            };
            let older = self.changes[1].replace(news);
            let oldest = std::mem::replace(&mut self.changes[0], older);
            self.judge(oldest.as_ref(), cells.columns);
        }
        self.latest = Some(cells);
    }

    /// Judges the frame before the latest one, by the changes before and after it.
    fn judge(&mut self, oldest: Option<&Change>, columns: usize) {
        let [Some(at), Some(after)] = &self.changes else {
            return;
        };
        let Some(oldest) = oldest else {
            return;
        };
        let jumps = jumps([&oldest.changes, &at.changes, &after.changes], columns);
        let (time_s, key) = (at.time_s, at.key);
        if key {
            if jumps {
                self.damaged_s.append(&mut self.suspected_s);
            }
            self.suspected_s.clear();
        }
        if jumps || !self.suspected_s.is_empty() {
            self.suspected_s.push(time_s);
        }
    }

    /// Times of the frames between a jump and the key frame at which the picture jumped back.
    pub(super) fn damaged_s(&self) -> &[f64] {
        &self.damaged_s
    }
}

/// Whether the last cells jump at the middle one of three changes, and none of the first half.
fn jumps([before, at, after]: [&[f32]; 3], columns: usize) -> bool {
    let rows = at.len() / columns.max(1);
    if rows < 2 * LAST_ROWS {
        return false;
    }
    let jumps = |row: usize, column: usize| {
        let around = |changes: &[f32]| {
            let mut most = 0_f32;
            for row in row.saturating_sub(1)..=(row + 1).min(rows - 1) {
                for column in column.saturating_sub(1)..=(column + 1).min(columns - 1) {
                    most = most.max(changes[row * columns + column]);
                }
            }
            most
        };
        let change = at[row * columns + column];
        change > JUMP_CODES
            && change > JUMP_CODES + USUAL_CHANGE * around(before).max(around(after))
    };
    let jumping = |rows: std::ops::Range<usize>| {
        let cells = rows.flat_map(|row| (0..columns).map(move |column| (row, column)));
        cells.filter(|&(row, column)| jumps(row, column))
    };
    let least = LEAST_CELLS.max(LEAST_SHARE * (LAST_ROWS * columns) as f64);
    jumping(rows - LAST_ROWS..rows).count() as f64 >= least && jumping(0..rows / 2).next().is_none()
}

impl Cells {
    fn of(image: &GreyImage, turn: Turn) -> Self {
        let (columns, rows) = (image.width_px / CELL_PX, image.height_px / CELL_PX);
        let pixels: &[u8] = &image.pixels;
        let mut means = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            let mut sums = vec![0_u32; columns];
            for line in (row * CELL_PX..(row + 1) * CELL_PX).step_by(LINE_STEP) {
                let line = &pixels[line * image.width_px..][..columns * CELL_PX];
                for (sum, part) in sums.iter_mut().zip(line.chunks_exact(CELL_PX)) {
                    *sum += part.iter().map(|&code| u32::from(code)).sum::<u32>();
                }
            }
            let count = (CELL_PX * CELL_PX / LINE_STEP) as f32;
            means.extend(sums.into_iter().map(|sum| sum as f32 / count));
        }
        Self { columns, means }.into_coded(turn)
    }

    /// In the order of coding, which runs otherwise through a picture that was turned upright.
    fn into_coded(self, turn: Turn) -> Self {
        let rows = self.means.len() / self.columns.max(1);
        let at = |row: usize, column: usize| self.means[row * self.columns + column];
        match turn {
            Turn::None => self,
            Turn::Half => Self {
                columns: self.columns,
                means: self.means.iter().rev().copied().collect(),
            },
            Turn::Quarter => Self {
                columns: rows,
                means: (0..self.columns)
                    .rev()
                    .flat_map(|column| (0..rows).map(move |row| (row, column)))
                    .map(|(row, column)| at(row, column))
                    .collect(),
            },
            Turn::ThreeQuarters => Self {
                columns: rows,
                means: (0..self.columns)
                    .flat_map(|column| (0..rows).rev().map(move |row| (row, column)))
                    .map(|(row, column)| at(row, column))
                    .collect(),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE_PX: [usize; 2] = [320, 240];

    /// A picture of soft stripes that move by some pixels a frame, with the last lines darkened.
    fn picture(frame: usize, moves: bool, damaged: bool) -> GreyImage {
        let [width_px, height_px] = SIZE_PX;
        let shift = if moves { 3 * frame } else { 0 };
        let code = |at: usize| {
            let (x, y) = (at % width_px, at / width_px);
            let stripes = 120.0 + 60.0 * ((x + shift) as f64 / 17.0).sin();
            let lost = if damaged && y > 150 { 40.0 } else { 0.0 };
            (stripes - lost) as u8
        };
        GreyImage {
            width_px,
            height_px,
            pixels: (0..width_px * height_px).map(code).collect(),
        }
    }

    /// Twenty frames with key frames at 0 and 12; those of a range are damaged.
    fn damaged_frames(moves: bool, damaged: std::ops::Range<usize>) -> Vec<f64> {
        let mut seams = Seams::new(Turn::None);
        for frame in 0..20 {
            let image = picture(frame, moves, damaged.contains(&frame));
            seams.see(frame as f64, [0, 12].contains(&frame), &image);
        }
        seams.damaged_s().to_vec()
    }

    #[test]
    fn nonsense_that_ends_at_a_key_frame_is_found() {
        for moves in [false, true] {
            assert_eq!(
                damaged_frames(moves, 5..12),
                [5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0]
            );
        }
    }

    #[test]
    fn changes_that_stay_or_end_elsewhere_are_none() {
        for moves in [false, true] {
            for usual in [0..0, 5..20, 5..9, 12..20, 0..12] {
                assert!(damaged_frames(moves, usual.clone()).is_empty(), "{usual:?}");
            }
        }
    }

    #[test]
    fn cells_come_in_the_order_of_coding() {
        // One bright cell at the top left of the upright picture.
        let mut pixels = vec![0; SIZE_PX[0] * SIZE_PX[1]];
        for line in 0..CELL_PX {
            pixels[line * SIZE_PX[0]..][..CELL_PX].fill(200);
        }
        let image = GreyImage {
            width_px: SIZE_PX[0],
            height_px: SIZE_PX[1],
            pixels: pixels.into(),
        };
        let place = |turn| {
            let cells = Cells::of(&image, turn);
            let at = cells.means.iter().position(|&mean| mean > 100.0).unwrap();
            (at / cells.columns, at % cells.columns, cells.columns)
        };
        // Turned clockwise by a quarter, the stored picture's bottom left corner comes to the top left.
        assert_eq!(place(Turn::None), (0, 0, 20));
        assert_eq!(place(Turn::Quarter), (19, 0, 15));
        assert_eq!(place(Turn::Half), (14, 19, 20));
        assert_eq!(place(Turn::ThreeQuarters), (0, 14, 15));
    }
}
