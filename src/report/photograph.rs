//! The photograph under a drawing: cropped, stretched to full range, and compressed.

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, GrayImage, imageops};
use nalgebra::Point2;

use crate::clip::{GreyImage, Levels};

use super::ReportError;
use super::format::Format;

/// Largest width that is kept, px: sharp on paper or on a phone's fine screen, and small in the page.
fn largest_width_px(format: Format) -> u32 {
    match format {
        Format::Wide => 1920,
        Format::Narrow => 800,
    }
}

/// Quality of the JPEG: its artefacts are invisible on paper.
const JPEG_QUALITY: u8 = 80;

/// Margin around the contents, as a share of their width.
const MARGIN_SHARE: f64 = 0.2;

/// Least height over width, so that a row of tags does not become a ribbon.
const LEAST_HEIGHT_SHARE: f64 = 0.4;

/// A part of a picture, in whole pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// First column.
    pub left_px: u32,
    /// First row.
    pub top_px: u32,
    /// Columns.
    pub width_px: u32,
    /// Rows.
    pub height_px: u32,
}

impl Window {
    /// All of a picture.
    pub fn whole(image: &GreyImage) -> Self {
        let [width_px, height_px] = size(image);
        Self {
            left_px: 0,
            top_px: 0,
            width_px,
            height_px,
        }
    }

    /// The part that holds all points of a picture, with room around them.
    pub fn around(points: impl IntoIterator<Item = Point2<f64>>, image: &GreyImage) -> Self {
        let none = [f64::INFINITY, f64::NEG_INFINITY];
        let [x, y] =
            points
                .into_iter()
                .fold([none, none], |[[left, right], [top, bottom]], point| {
                    [
                        [left.min(point.x), right.max(point.x)],
                        [top.min(point.y), bottom.max(point.y)],
                    ]
                });
        let whole = Self::whole(image);
        let width = (x[1] - x[0]) * (1.0 + 2.0 * MARGIN_SHARE);
        let height =
            (y[1] - y[0] + (x[1] - x[0]) * 2.0 * MARGIN_SHARE).max(width * LEAST_HEIGHT_SHARE);
        if !(width > 0.0 && width.is_finite() && height.is_finite()) {
            return whole;
        }
        let [left_px, width_px] = cut((x[0] + x[1]) / 2.0, width, whole.width_px);
        let [top_px, height_px] = cut((y[0] + y[1]) / 2.0, height, whole.height_px);
        Self {
            left_px,
            top_px,
            width_px,
            height_px,
        }
    }
}

/// Start and length of a section about a centre, moved and shortened to stay inside.
fn cut(middle: f64, length: f64, available_px: u32) -> [u32; 2] {
    let available = f64::from(available_px);
    let length = length.ceil().min(available);
    let start = (middle - length / 2.0)
        .floor()
        .clamp(0.0, available - length);
    [start as u32, length as u32]
}

fn size(image: &GreyImage) -> [u32; 2] {
    [image.width_px, image.height_px].map(|length_px| u32::try_from(length_px).unwrap_or(0))
}

/// The window of a picture as JPEG.
pub fn jpeg(
    image: &GreyImage,
    levels: Levels,
    window: Window,
    format: Format,
) -> Result<Vec<u8>, ReportError> {
    let part = full_range(image, levels, window).ok_or(ReportError::NoPicture {
        width_px: image.width_px,
        height_px: image.height_px,
        pixels: image.pixels.len(),
    })?;
    let part = shrunk(part, largest_width_px(format));
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, JPEG_QUALITY).encode(
        &part,
        part.width(),
        part.height(),
        ExtendedColorType::L8,
    )?;
    Ok(bytes)
}

/// The window of a picture with black at 0 and white at 255; `None` where pixels are lacking.
fn full_range(image: &GreyImage, levels: Levels, window: Window) -> Option<GrayImage> {
    let span = f64::from(levels.white.saturating_sub(levels.black).max(1));
    let code_from_code: [u8; 256] = std::array::from_fn(|code| {
        let share = code.saturating_sub(levels.black.into()) as f64 / span;
        (share * 255.0).round().min(255.0) as u8
    });
    let [left, top] = [window.left_px, window.top_px].map(|start_px| start_px as usize);
    let columns = left..left + window.width_px as usize;
    let rows = image.pixels.chunks_exact(image.width_px.max(1)).skip(top);
    let mut pixels = Vec::with_capacity(columns.len() * window.height_px as usize);
    for row in rows.take(window.height_px as usize) {
        let codes = row.get(columns.clone())?.iter();
        pixels.extend(codes.map(|&code| code_from_code[usize::from(code)]));
    }
    GrayImage::from_raw(window.width_px, window.height_px, pixels).filter(|part| !part.is_empty())
}

fn shrunk(part: GrayImage, largest_width_px: u32) -> GrayImage {
    if part.width() <= largest_width_px {
        return part;
    }
    let scale = f64::from(largest_width_px) / f64::from(part.width());
    let height_px = (f64::from(part.height()) * scale).round().max(1.0) as u32;
    imageops::thumbnail(&part, largest_width_px, height_px)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grey(width_px: usize, height_px: usize) -> GreyImage {
        GreyImage {
            width_px,
            height_px,
            pixels: (0..width_px * height_px)
                .map(|at| {
                    if at % width_px < width_px / 2 {
                        16
                    } else {
                        235
                    }
                })
                .collect(),
        }
    }

    #[test]
    fn a_window_stays_inside_the_picture_and_holds_its_points() {
        let image = grey(1920, 1080);
        let points = [Point2::new(30.0, 500.0), Point2::new(1400.0, 560.0)];
        let window = Window::around(points, &image);
        assert_eq!([window.left_px, window.width_px], [0, 1918]);
        assert!(window.top_px < 500 && window.top_px + window.height_px > 560);
        assert_eq!(Window::around([], &image), Window::whole(&image));
        let far = [Point2::new(-9e9, 0.0), Point2::new(9e9, 1.0)];
        assert_eq!(Window::around(far, &image), Window::whole(&image));
    }

    #[test]
    fn limited_range_becomes_black_and_white() {
        let image = grey(64, 32);
        let bytes = jpeg(&image, Levels::LIMITED, Window::whole(&image), Format::Wide).unwrap();
        let decoded = image::load_from_memory(&bytes).unwrap().to_luma8();
        assert_eq!(decoded.dimensions(), (64, 32));
        assert!(decoded.get_pixel(8, 16).0[0] < 4);
        assert!(decoded.get_pixel(56, 16).0[0] > 251);
    }

    #[test]
    fn large_pictures_are_shrunk() {
        let image = grey(3840, 2160);
        let bytes = jpeg(&image, Levels::LIMITED, Window::whole(&image), Format::Wide).unwrap();
        let decoded = image::load_from_memory(&bytes).unwrap();
        assert_eq!((decoded.width(), decoded.height()), (1920, 1080));
    }

    #[test]
    fn a_picture_that_lacks_pixels_is_an_error() {
        let mut image = grey(64, 32);
        image.pixels = image.pixels.iter().copied().skip(1).collect();
        let refused = jpeg(&image, Levels::LIMITED, Window::whole(&image), Format::Wide);
        assert!(matches!(
            refused,
            Err(ReportError::NoPicture { pixels: 2047, .. })
        ));
    }
}
