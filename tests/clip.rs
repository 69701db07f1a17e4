//! Clips of real cameras and libraries are read with their true times, the right way up.
#![allow(clippy::expect_used, clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use hingewise::clip::{Clip, ClipError, ClipInfo, ClipOptions, Frame};
use hingewise::warning::Warning;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/clip")
        .join(name)
}

struct Read {
    info: ClipInfo,
    frames: Vec<Frame>,
    warnings: Vec<Warning>,
}

fn try_read(path: &Path, options: &ClipOptions) -> Result<Read, ClipError> {
    let mut stream = Clip::open(path, options)?.into_stream()?;
    let info = stream.info().clone();
    let frames = stream.by_ref().collect::<Result<_, _>>()?;
    let warnings = stream.finish();
    Ok(Read {
        info,
        frames,
        warnings,
    })
}

fn read(name: &str) -> Read {
    try_read(&data(name), &ClipOptions::default()).expect("a readable clip")
}

fn times_s(read: &Read) -> Vec<f64> {
    read.frames.iter().map(|frame| frame.time_s).collect()
}

#[test]
fn frames_that_lie_out_of_order_come_in_the_order_of_presentation() {
    // decord's published times of this clip.
    assert_eq!(
        times_s(&read("unordered.mov")),
        [0.0, 0.03125, 0.0625, 0.09375]
    );
}

#[test]
fn a_broken_frame_is_left_out_and_told() {
    let read = read("corrupted.mp4");
    // decord's published counts of this clip: 50 claimed, 49 decode.
    assert_eq!(read.info.claimed_frames, Some(50));
    assert_eq!(read.frames.len(), 49);
    assert!(
        matches!(
            read.warnings[..],
            [Warning::FramesLost { lost: 1, first_after_s }] if (2.5..3.0).contains(&first_after_s)
        ),
        "{:?}",
        read.warnings
    );
}
