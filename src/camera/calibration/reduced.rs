//! Smaller pictures, in which large markers are found that a full picture hides from the search.

use nalgebra::Point2;

use crate::clip::GreyImage;

/// A picture reduced by a whole number, each pixel the mean of a block.
pub(super) struct Reduced {
    pub image: GreyImage,
    by: usize,
}

impl Reduced {
    /// Reduces a picture by the smallest whole number that makes its longer side at most `side_px`.
    pub fn to_side(image: &GreyImage, side_px: usize) -> Self {
        let longer_px = image.width_px.max(image.height_px);
        let by = longer_px.div_ceil(side_px).max(1);
        let (width_px, height_px) = (image.width_px / by, image.height_px / by);
        let block = |x: usize, y: usize| -> u32 {
            (0..by)
                .map(|row| {
                    let start = (y * by + row) * image.width_px + x * by;
                    let pixels = &image.pixels[start..start + by];
                    pixels.iter().map(|&value| u32::from(value)).sum::<u32>()
                })
                .sum()
        };
        let count = (by * by) as u32;
        let pixels = (0..height_px)
            .flat_map(|y| (0..width_px).map(move |x| (x, y)))
            .map(|(x, y)| ((block(x, y) + count / 2) / count) as u8)
            .collect();
        Self {
            image: GreyImage {
                width_px,
                height_px,
                pixels,
            },
            by,
        }
    }

    /// Whether the picture was not reduced at all.
    pub fn is_full(&self) -> bool {
        self.by == 1
    }

    /// Pixel centres are whole numbers, so a block of n pixels has its centre at (n − 1) / 2.
    pub fn in_full_picture(&self, point: Point2<f64>) -> Point2<f64> {
        let by = self.by as f64;
        point.map(|value| value * by + (by - 1.0) / 2.0)
    }
}
