//! A file that a browser shows as its camera: frames of the bundled clip, slowly enough for a person.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};

use hingewise::clip::{Clip, ClipOptions, Frame};

use super::sample;

/// Frames of the camera a second; every second frame of the clip, at a quarter of its speed.
const RATE_HZ: &str = "15:2";

/// A frame of the whole clip in this step shows the travel with no rest that is long enough for a hold.
const LEARN_STEP: usize = 9;

/// The holds of the clip that follow, by its frames, each with the way to the next one; the stick
/// positions of sample-frames/cards-true-stations.csv.
const PARTS: [(f64, Range<usize>); 7] = [
    (0.0, 2..20),
    (25.0, 22..41),
    (50.0, 43..62),
    (75.0, 65..83),
    (100.0, 86..104),
    (-50.0, 211..230),
    (-100.0, 253..272),
];

/// The stick positions of the holds that the camera shows after the travel, %.
pub fn order_pct() -> Vec<f64> {
    PARTS.iter().map(|(stick_pct, _)| *stick_pct).collect()
}

/// Writes the file: uncompressed 4:2:0 at half the size of the clip, as the yuv4mpeg format of
/// MJPEG tools has it, which chromium reads.
pub fn camera_file(folder: &Path) -> PathBuf {
    let frames = frames();
    let (width, height) = (frames[0].image.width_px / 2, frames[0].image.height_px / 2);
    let path = folder.join("camera.y4m");
    let mut file = BufWriter::new(File::create(&path).unwrap());
    writeln!(
        file,
        "YUV4MPEG2 W{width} H{height} F{RATE_HZ} Ip A1:1 C420jpeg"
    )
    .unwrap();
    let travel = frames.iter().step_by(LEARN_STEP);
    let holds = PARTS
        .iter()
        .flat_map(|(_, part)| frames[part.clone()].iter().step_by(2));
    for frame in travel.chain(holds) {
        file.write_all(b"FRAME\n").unwrap();
        file.write_all(&halved(frame)).unwrap();
        file.write_all(&vec![128; width * height / 2]).unwrap();
    }
    file.flush().unwrap();
    path
}

fn frames() -> Vec<Frame> {
    let mut clip = Clip::open(&sample("cards.mp4"), &ClipOptions::default()).unwrap();
    let mut frames = Vec::new();
    while let Some(frame) = clip.next_frame(&mut Vec::new()).unwrap() {
        frames.push(frame);
    }
    frames
}

/// The means of two by two pixels.
fn halved(frame: &Frame) -> Vec<u8> {
    let width = frame.image.width_px;
    let pixels: &[u8] = &frame.image.pixels;
    let rows = pixels.chunks_exact(2 * width);
    rows.flat_map(|two| {
        let (upper, lower) = two.split_at(width);
        let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
        pairs.map(|(upper, lower)| {
            let sum: u16 = upper
                .iter()
                .chain(lower)
                .map(|&value| u16::from(value))
                .sum();
            ((sum + 2) / 4) as u8
        })
    })
    .collect()
}
