//! Videos that are not whole, not videos, or not to be measured in.

use std::path::Path;

use hingewise::clip::{ClipError, ClipOptions, ClipWarning};
use hingewise::warning::Warning;

use super::{data, read, refused, try_read};

const PLAIN: ClipOptions = ClipOptions {
    fps: None,
    untimed: false,
};

fn with_bytes(name: &str, bytes: &[u8]) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}

/// Replaces the first two rows of the track's display matrix (ISO/IEC 14496-12, 8.3.2: a b u c d v
/// in the `tkhd` box, version 0, 40 bytes after its type).
fn with_matrix(name: &str, a: f64, b: f64, c: f64, d: f64) -> Vec<u8> {
    let mut bytes = std::fs::read(data(name)).unwrap();
    let start = bytes
        .windows(4)
        .position(|four| four == b"tkhd")
        .map(|at| at + 4 + 40)
        .unwrap();
    for (position, value) in [(0, a), (1, b), (3, c), (4, d)] {
        let fixed = (value * 65536.0).round() as i32;
        bytes[start + 4 * position..][..4].copy_from_slice(&fixed.to_be_bytes());
    }
    bytes
}

#[test]
fn a_clip_that_was_cut_off_gives_the_frames_that_are_there() {
    let whole = read(&data("nasa_stream0.mp4"));
    let bytes = std::fs::read(data("nasa_stream0.mp4")).unwrap();
    let (_folder, path) = with_bytes("cut.mp4", &bytes[..bytes.len() * 6 / 10]);
    let cut = read(&path);
    // ffprobe finds 202 frames in the file cut at 60 %.
    assert_eq!(cut.frames.len(), 202);
    assert_eq!(cut.frames[..], whole.frames[..202]);
    match cut.warnings[..] {
        [
            ClipWarning::EndsEarly {
                frames: 202,
                end_s,
                claimed_frames: Some(325),
                claimed_s: Some(claimed_s),
            },
        ] => {
            assert!((end_s - 8.04).abs() < 1e-6);
            assert!((claimed_s - 13.0).abs() < 1e-6);
        }
        ref other => panic!("{other:?}"),
    }
    let text = cut.warnings[0].text();
    assert!(
        text.contains("202 frames") && text.contains("325 frames"),
        "{text}"
    );
}

#[test]
fn a_recording_without_its_index_is_told() {
    // The index of this file lies behind the frames, from byte 14311 on.
    let bytes = std::fs::read(data("video_0.mov")).unwrap();
    let (_folder, path) = with_bytes("cut.mov", &bytes[..14000]);
    let error = refused(&path, &PLAIN);
    assert!(matches!(error, ClipError::IndexMissing { .. }), "{error}");
    assert!(error.to_string().contains("cut.mov"));
}

#[test]
fn files_that_are_no_video_are_told_apart() {
    let error = refused(Path::new("no/such/clip.mp4"), &PLAIN);
    assert!(matches!(error, ClipError::Missing { .. }), "{error}");
    assert!(error.to_string().contains("no/such/clip.mp4"));

    let (_folder, path) = with_bytes("empty.mp4", b"");
    let error = refused(&path, &PLAIN);
    assert!(matches!(error, ClipError::EmptyFile { .. }), "{error}");

    let (_folder, path) = with_bytes("text.mp4", "not a video\n".repeat(100).as_bytes());
    let error = refused(&path, &PLAIN);
    assert!(matches!(error, ClipError::NotAVideo { .. }), "{error}");

    let error = refused(&data("stills/jpeg_named.png"), &PLAIN);
    assert!(matches!(error, ClipError::SinglePicture { .. }), "{error}");

    let error = refused(&data("sound_only.mp4"), &PLAIN);
    assert!(matches!(error, ClipError::NoVideoTrack { .. }), "{error}");
}

#[test]
fn a_playlist_does_not_open_other_files() {
    let listed = data("nasa_stream0.mp4");
    let playlist = format!(
        "#EXTM3U\n#EXT-X-TARGETDURATION:13\n#EXTINF:13,\n{}\n#EXT-X-ENDLIST\n",
        listed.display()
    );
    let (_folder, path) = with_bytes("list.m3u8", playlist.as_bytes());
    let error = refused(&path, &PLAIN);
    assert!(matches!(error, ClipError::NotAVideo { .. }), "{error}");
}

#[test]
fn frames_of_nothing_but_noise_are_told() {
    let mut bytes = std::fs::read(data("video_0.mov")).unwrap();
    // The frames lie in the mdat box, bytes 36 to 14310.
    bytes[36..14300].fill(0xff);
    let (_folder, path) = with_bytes("noise.mov", &bytes);
    let error = refused(&path, &PLAIN);
    assert!(matches!(error, ClipError::NothingDecodes { .. }), "{error}");
}

#[test]
fn colours_without_a_luma_plane_are_told_by_name() {
    let error = refused(&data("rgb.mp4"), &PLAIN);
    match &error {
        // ffprobe's pix_fmt of this clip.
        ClipError::PixelFormat { format, .. } => assert_eq!(format, "gbrp"),
        other => panic!("{other}"),
    }
    assert!(error.mend().contains("yuv420p"));
}

#[test]
fn only_quarter_turns_are_obeyed() {
    let (_folder, path) = with_bytes(
        "m.mov",
        &with_matrix("turned_half.mov", -1.0, 0.0, 0.0, 1.0),
    );
    let error = refused(&path, &PLAIN);
    assert!(matches!(error, ClipError::Mirrored { .. }), "{error}");

    let (sin, cos) = 30f64.to_radians().sin_cos();
    let (_folder, path) = with_bytes(
        "m.mov",
        &with_matrix("turned_half.mov", cos, sin, -sin, cos),
    );
    match refused(&path, &PLAIN) {
        ClipError::OddAngle { angle_deg, .. } => assert!((angle_deg - 30.0).abs() < 0.01),
        other => panic!("{other}"),
    }
}

#[test]
fn a_picture_that_changes_its_size_is_told() {
    // Made of three frames of 64 × 48 and three of 48 × 64, at 30 frames a second.
    match refused(&data("size_changes.ts"), &PLAIN) {
        ClipError::FrameSizeChanges {
            time_s,
            first_px,
            then_px,
            ..
        } => {
            assert!((0.0..0.1).contains(&time_s));
            assert_eq!((first_px, then_px), ((64, 48), (48, 64)));
        }
        other => panic!("{other}"),
    }
}

#[test]
fn a_rate_for_a_video_is_refused() {
    let options = ClipOptions {
        fps: Some(30.0),
        untimed: false,
    };
    let error = refused(&data("unordered.mov"), &options);
    assert!(matches!(error, ClipError::FpsOfVideo { .. }), "{error}");
}

#[test]
fn cuts_and_flipped_bytes_do_not_bring_the_reader_down() {
    let whole = std::fs::read(data("unordered.mov")).unwrap();
    let (_folder, path) = with_bytes("damaged.mov", &whole);
    for length in (0..whole.len()).step_by(37) {
        std::fs::write(&path, &whole[..length]).unwrap();
        let _ = try_read(&path, &PLAIN);
    }
    for position in (0..whole.len()).step_by(5) {
        let mut bytes = whole.clone();
        bytes[position] ^= 0xff;
        std::fs::write(&path, &bytes).unwrap();
        if let Ok(read) = try_read(&path, &PLAIN) {
            let times_s = read.times_s();
            assert!(
                times_s.windows(2).all(|pair| pair[0] < pair[1]),
                "{position}: {times_s:?}"
            );
        }
    }
}
