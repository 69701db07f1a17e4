//! A file that a browser shows as its camera: frames of the bundled clip, slowly enough for a person.

use std::ops::Range;
use std::path::{Path, PathBuf};

use hingewise::clip::{Clip, ClipOptions, Frame};

use super::sample;
use super::y4m::Y4m;

/// Frames of the camera a second, a quarter of those of the clip.
const RATE_HZ: &str = "15:2";

/// A frame of the whole clip in this step shows the travel with no rest that is long enough for a hold.
const LEARN_STEP: usize = 9;

/// The holds of the clip that follow, by its frames, each with the way to it; the stick positions of
/// sample-frames/cards-true-stations.csv.
const PARTS: [(f64, Range<usize>); 5] = [
    (0.0, 2..20),
    (50.0, 43..62),
    (100.0, 86..104),
    (-50.0, 211..230),
    (-100.0, 253..272),
];

/// The stick positions of the holds that the camera shows after the travel, %.
pub fn order_pct() -> Vec<f64> {
    PARTS.iter().map(|(stick_pct, _)| *stick_pct).collect()
}

/// Writes the file, at two thirds of the size of the clip.
pub fn camera_file(folder: &Path) -> PathBuf {
    let path = folder.join("camera.y4m");
    let mut file = Y4m::create(&path, RATE_HZ);
    let is_of_travel = |index: usize| index.is_multiple_of(LEARN_STEP);
    let is_of_hold = |index: usize| PARTS.iter().any(|(_, part)| part.contains(&index));
    // Twice through the clip, since all of its frames do not belong into memory.
    for is_wanted in [&is_of_travel as &dyn Fn(usize) -> bool, &is_of_hold] {
        let mut clip = Clip::open(&sample("cards.mp4"), &ClipOptions::default()).unwrap();
        while let Some(frame) = clip.next_frame(&mut Vec::new()).unwrap() {
            let (width, height) = (frame.image.width_px * 2 / 3, frame.image.height_px * 2 / 3);
            if is_wanted(frame.index) {
                file.add((width, height), &two_thirds(&frame));
            }
        }
    }
    file.finish();
    path
}

/// Two pixels for three, each the mean of the area that it covers.
fn two_thirds(frame: &Frame) -> Vec<u8> {
    let width = frame.image.width_px;
    let pixels: &[u8] = &frame.image.pixels;
    let smaller = |three: [u16; 3]| [2 * three[0] + three[1], three[1] + 2 * three[2]];
    let mut small = Vec::with_capacity(pixels.len() * 4 / 9);
    for rows in pixels.chunks_exact(3 * width) {
        let column = |at: usize| smaller([0, 1, 2].map(|row| u16::from(rows[row * width + at])));
        let columns: Vec<[u16; 2]> = (0..width).map(column).collect();
        for row in 0..2 {
            for three in columns.chunks_exact(3) {
                let sums = smaller([three[0][row], three[1][row], three[2][row]]);
                small.extend(sums.map(|sum| ((sum + 4) / 9) as u8));
            }
        }
    }
    small
}
