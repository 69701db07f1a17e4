//! Rect: a rectangle of a picture.

use std::ops::Range;

use nalgebra::Vector2;

use crate::clip::GreyImage;

/// A rectangle of pixels, or of other squares that a picture is divided into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::tags) struct Rect {
    pub columns: Range<usize>,
    pub rows: Range<usize>,
}

impl Rect {
    /// All of a picture.
    pub fn whole(image: &GreyImage) -> Self {
        Self {
            columns: 0..image.width_px,
            rows: 0..image.height_px,
        }
    }

    /// One square, given by column and row.
    pub fn single([column, row]: [usize; 2]) -> Self {
        Self {
            columns: column..column + 1,
            rows: row..row + 1,
        }
    }

    /// How many squares it holds.
    pub fn area(&self) -> usize {
        self.columns.len() * self.rows.len()
    }

    /// The smallest one that holds both.
    pub fn with(&self, other: &Self) -> Self {
        let both = |a: &Range<usize>, b: &Range<usize>| a.start.min(b.start)..a.end.max(b.end);
        Self {
            columns: both(&self.columns, &other.columns),
            rows: both(&self.rows, &other.rows),
        }
    }

    /// Enlarged by this margin on every side, clipped to the picture.
    pub fn grown(&self, room: usize, [columns, rows]: [usize; 2]) -> Self {
        let grown = |range: &Range<usize>, size: usize| {
            range.start.saturating_sub(room)..(range.end + room).min(size)
        };
        Self {
            columns: grown(&self.columns, columns),
            rows: grown(&self.rows, rows),
        }
    }

    /// Position of its first pixel.
    pub fn origin(&self) -> Vector2<f64> {
        Vector2::new(self.columns.start as f64, self.rows.start as f64)
    }

    /// The pixels of a picture there; a whole decoded frame is not copied.
    pub fn cut(&self, image: &GreyImage) -> GreyImage {
        if *self == Self::whole(image) {
            return image.clone();
        }
        let mut pixels = Vec::with_capacity(self.area());
        let rows = image.pixels.chunks_exact(image.width_px);
        for row in rows.take(self.rows.end).skip(self.rows.start) {
            pixels.extend_from_slice(&row[self.columns.clone()]);
        }
        GreyImage {
            width_px: self.columns.len(),
            height_px: self.rows.len(),
            pixels: pixels.into(),
        }
    }
}
