//! Recognise: decides whether a square outline is one of the expected tags.
//!
//! The library decodes a tag without knowing which to expect, and fails on small or soft tags. Only
//! a few tags are expected, so comparing with their patterns works on smaller ones.

use nalgebra::Point2;

use crate::clip::GreyImage;
use crate::geometry::homography;
use crate::tags::pattern_fit::pattern::{CELLS, HALF, Pattern};

/// Smallest correlation of the inner cells: two codes of the family differ in 11 of 36 cells at
/// least, so another tag stays below 0.4.
const LEAST_CORRELATION: f64 = 0.65;

/// Correlation from which a quarter of a tag counts as visible.
const LEAST_QUARTER_CORRELATION: f64 = 0.85;

/// The outline in the order of the printed tag's corners, if it looks like `pattern`; the outline
/// may start at any corner.
pub(in crate::tags) fn recognise(
    image: &GreyImage,
    outline_px: &[Point2<f64>; 4],
    pattern: &Pattern,
) -> Option<[Point2<f64>; 4]> {
    (0..4)
        .map(|turn| std::array::from_fn(|k| outline_px[(k + turn) % 4]))
        .filter_map(|corners_px| Some((shown(image, &corners_px, pattern)?, corners_px)))
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, corners_px)| corners_px)
}

/// How far around its expected place a tag is looked for, cells.
const NEARBY_CELLS: i32 = 4;

/// The tag within [`NEARBY_CELLS`] of its expected place, found to about half a cell: the nearest
/// place where it shows, or the better of two equally near ones.
pub(in crate::tags) fn nearby(
    image: &GreyImage,
    expected_px: &[Point2<f64>; 4],
    pattern: &Pattern,
) -> Option<[Point2<f64>; 4]> {
    let [a, b, _, d] = expected_px;
    let (half_cell_right, half_cell_down) = (
        (b - a) / (2.0 * CELLS as f64),
        (d - a) / (2.0 * CELLS as f64),
    );
    (0..=2 * NEARBY_CELLS).find_map(|ring| {
        let places = ring_of(ring).map(|(right, down)| {
            let shift = half_cell_right * f64::from(right) + half_cell_down * f64::from(down);
            expected_px.map(|corner| corner + shift)
        });
        places
            .filter_map(|place_px| Some((shown(image, &place_px, pattern)?, place_px)))
            .max_by(|(a, _), (b, _)| a.total_cmp(b))
            .map(|(_, place_px)| place_px)
    })
}

/// The places of a grid that are `ring` steps from its middle along one axis, and no further along
/// the other.
fn ring_of(ring: i32) -> impl Iterator<Item = (i32, i32)> {
    let across = -ring..=ring;
    across
        .clone()
        .flat_map(move |right| across.clone().map(move |down| (right, down)))
        .filter(move |(right, down)| right.abs().max(down.abs()) == ring)
}

/// Whether the tag is within a fraction of a cell of its expected place.
pub(in crate::tags) fn shows(
    image: &GreyImage,
    corners_px: &[Point2<f64>; 4],
    pattern: &Pattern,
) -> bool {
    shown(image, corners_px, pattern).is_some()
}

/// How well the tag shows at a place, if it does: it is within a fraction of a cell then.
fn shown(image: &GreyImage, corners_px: &[Point2<f64>; 4], pattern: &Pattern) -> Option<f64> {
    correlation(image, corners_px, pattern, [INNER, INNER])
        .filter(|&correlation| correlation >= LEAST_CORRELATION)
}

/// Whether at least a quarter of the tag shows where it is expected.
pub(in crate::tags) fn shows_in_part(
    image: &GreyImage,
    corners_px: &[Point2<f64>; 4],
    pattern: &Pattern,
) -> bool {
    let halves = [[0, CELLS / 2], [CELLS / 2, CELLS]];
    halves.into_iter().any(|rows| {
        halves.into_iter().any(|columns| {
            correlation(image, corners_px, pattern, [rows, columns])
                .is_some_and(|correlation| correlation >= LEAST_QUARTER_CORRELATION)
        })
    })
}

/// The cells within the black border.
const INNER: [usize; 2] = [1, CELLS - 1];

/// Correlation of the picture at the centres of some rows and columns of cells with the pattern.
fn correlation(
    image: &GreyImage,
    corners_px: &[Point2<f64>; 4],
    pattern: &Pattern,
    [rows, columns]: [[usize; 2]; 2],
) -> Option<f64> {
    let image_from_tag = homography::from_square(corners_px)?;
    let mut pairs = Vec::with_capacity((rows[1] - rows[0]) * (columns[1] - columns[0]));
    for row in rows[0] as isize..rows[1] as isize {
        for column in columns[0] as isize..columns[1] as isize {
            let unit = |cell: isize| (cell as f64 + 0.5) / HALF - 1.0;
            let place = homography::map(&image_from_tag, unit(column), unit(row));
            let printed = if pattern.is_white(column, row) {
                1.0
            } else {
                0.0
            };
            pairs.push((brightness(image, place)?, printed));
        }
    }
    let count = pairs.len() as f64;
    let (mean_seen, mean_printed) = pairs.iter().fold((0.0, 0.0), |(a, b), pair| {
        (a + pair.0 / count, b + pair.1 / count)
    });
    let (mut cross, mut seen, mut printed) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        let (a, b) = (a - mean_seen, b - mean_printed);
        cross += a * b;
        seen += a * a;
        printed += b * b;
    }
    let scale = (seen * printed).sqrt();
    (scale > 0.0).then(|| cross / scale)
}

/// Bilinear brightness at a place; `None` outside the picture.
fn brightness(image: &GreyImage, place: Point2<f64>) -> Option<f64> {
    let inside = place.x >= 0.0
        && place.y >= 0.0
        && place.x < image.width_px as f64 - 1.0
        && place.y < image.height_px as f64 - 1.0;
    if !inside {
        return None;
    }
    let (x, y) = (place.x as usize, place.y as usize);
    let (part_x, part_y) = (place.x - x as f64, place.y - y as f64);
    let pixels: &[u8] = &image.pixels;
    let at = |dx: usize, dy: usize| f64::from(pixels[(y + dy) * image.width_px + x + dx]);
    let top = at(0, 0) * (1.0 - part_x) + at(1, 0) * part_x;
    let bottom = at(0, 1) * (1.0 - part_x) + at(1, 1) * part_x;
    Some(top * (1.0 - part_y) + bottom * part_y)
}
