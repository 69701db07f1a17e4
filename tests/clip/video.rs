//! Videos against what FFmpeg's own tools and the makers of the clips say of them.

use std::collections::BTreeMap;

use hingewise::clip::{Clip, ClipOptions, ClipWarning, Levels, Lines};

use super::{Read, data, read};

/// One line of `luma.csv`, written with FFmpeg's command-line tools: see `tests/data/README.md`.
#[derive(serde::Deserialize)]
struct Expected {
    clip: String,
    frame: usize,
    time_s: f64,
    width_px: usize,
    height_px: usize,
    adler32: u32,
}

fn expected() -> BTreeMap<String, Vec<Expected>> {
    let mut by_clip: BTreeMap<String, Vec<Expected>> = BTreeMap::new();
    for line in csv::Reader::from_path(data("luma.csv"))
        .unwrap()
        .deserialize()
    {
        let line: Expected = line.unwrap();
        by_clip.entry(line.clip.clone()).or_default().push(line);
    }
    by_clip
}

/// RFC 1950, section 8.2.
fn adler32(bytes: &[u8]) -> u32 {
    let (a, b) = bytes.iter().fold((1u32, 0u32), |(a, b), &byte| {
        let a = (a + u32::from(byte)) % 65521;
        (a, (b + a) % 65521)
    });
    (b << 16) | a
}

fn checksums(read: &Read) -> Vec<u32> {
    read.frames
        .iter()
        .map(|frame| adler32(&frame.image.pixels))
        .collect()
}

#[test]
fn every_frame_has_the_pixels_and_the_time_that_ffmpeg_gives_it() {
    let expected = expected();
    assert_eq!(expected.len(), 15);
    for (clip, lines) in expected {
        let read = read(&data(&clip));
        let last = lines.last().unwrap();
        assert_eq!(read.frames.len(), last.frame + 1, "{clip}");
        for line in &lines {
            let frame = &read.frames[line.frame];
            let place = format!("{clip}, frame {}", line.frame);
            assert_eq!(frame.index, line.frame, "{place}");
            // ffprobe prints microseconds.
            assert!((frame.time_s - line.time_s).abs() < 1.1e-6, "{place}");
            assert_eq!(
                (frame.image.width_px, frame.image.height_px),
                (line.width_px, line.height_px),
                "{place}"
            );
            assert_eq!(adler32(&frame.image.pixels), line.adler32, "{place}");
        }
        assert_eq!(
            (read.info.width_px, read.info.height_px),
            (last.width_px, last.height_px),
            "{clip}"
        );
    }
}

#[test]
fn a_single_frame_is_the_one_that_reading_all_gives() {
    for clip in expected().keys() {
        let whole = read(&data(clip));
        // Steps that no group of pictures has.
        for frame in whole.frames.iter().step_by(7).chain(whole.frames.last()) {
            let clip = Clip::open(&data(clip), &ClipOptions::default()).unwrap();
            let single = clip.frame(frame.index, frame.time_s).unwrap();
            assert_eq!(single.as_ref(), Some(frame));
        }
        let clip = Clip::open(&data(clip), &ClipOptions::default()).unwrap();
        let beyond = clip.frame(whole.frames.len(), 1e3).unwrap();
        assert_eq!(beyond, None);
    }
}

#[test]
fn frames_that_lie_out_of_order_come_in_the_order_of_presentation() {
    // Published by decord with this clip.
    assert_eq!(
        read(&data("unordered.mov")).times_s(),
        [0.0, 0.03125, 0.0625, 0.09375]
    );
}

#[test]
fn times_are_those_published_with_the_clip() {
    // torchcodec's list of this track's frames.
    #[derive(serde::Deserialize)]
    struct Published {
        pts_time: String,
    }
    let text = std::fs::read_to_string(data("nasa_stream0_times.json")).unwrap();
    let published: Vec<Published> = serde_json::from_str(&text).unwrap();
    let times_s = read(&data("nasa_stream0.mp4")).times_s();
    assert_eq!(times_s.len(), published.len());
    for (time_s, published) in times_s.iter().zip(published) {
        let published_s: f64 = published.pts_time.parse().unwrap();
        assert!((time_s - published_s).abs() < 1e-6);
    }
}

#[test]
fn a_variable_rate_is_kept() {
    // The clip was made of frames 0, 1, 4, 5, 6, 15 and 40 of a picture at 30 frames a second.
    let times_s = read(&data("variable_rate.mp4")).times_s();
    let made_s = [0.0, 1.0, 4.0, 5.0, 6.0, 15.0, 40.0].map(|frame| frame / 30.0);
    assert_eq!(times_s.len(), made_s.len());
    for (time_s, made_s) in times_s.iter().zip(made_s) {
        assert!((time_s - made_s).abs() < 1e-6);
    }
}

#[test]
fn an_edit_list_cuts_the_start_away() {
    // The clip was cut from the other one at 1.03 s without coding it anew: its first frame is the
    // one at 1.04 s, and the frames before it, which it needs for decoding, are not presented.
    let whole = read(&data("nasa_stream0.mp4"));
    let cut = read(&data("edit_list.mp4"));
    assert_eq!(cut.warnings, []);
    assert!(cut.info.claimed_frames.unwrap() > cut.frames.len() as u64);
    assert_eq!(cut.times_s()[..3], [0.0, 0.04, 0.08]);
    let first = (1.04f64 / 0.04).round() as usize;
    assert_eq!(checksums(&cut)[..50], checksums(&whole)[first..first + 50]);
}

#[test]
fn a_picture_filmed_upright_and_one_filmed_sideways_show_the_same_keys_upright() {
    // Both clips show one keyboard; seen by eye, all letters stand upright in both once video_90 is
    // turned clockwise by a quarter, as ffmpeg turns it. The squares of 18 px with their top-left
    // corner at these places were found by eye there: the letter K, bright on its dark key, and the
    // key's bare face below the letter.
    let brightest = |read: &Read, (x, y): (usize, usize)| {
        let image = &read.frames[0].image;
        (y..y + 18)
            .flat_map(|row| image.pixels[row * image.width_px + x..][..18].iter())
            .max()
            .copied()
            .unwrap()
    };
    let (landscape, portrait) = (read(&data("video_0.mov")), read(&data("video_90.mov")));
    assert_eq!(
        (landscape.info.width_px, landscape.info.height_px),
        (568, 320)
    );
    assert_eq!(
        (portrait.info.width_px, portrait.info.height_px),
        (320, 568)
    );
    assert_eq!(landscape.info.lines, Lines::Rows);
    assert_eq!(portrait.info.lines, Lines::Columns);
    assert!(brightest(&landscape, (373, 65)) > 200);
    assert!(brightest(&landscape, (373, 90)) < 150);
    assert!(brightest(&portrait, (119, 248)) > 200);
    assert!(brightest(&portrait, (119, 278)) < 150);
}

#[test]
fn levels_are_limited_unless_the_range_is_full() {
    let limited = Levels {
        black: 16,
        white: 235,
    };
    let full = Levels {
        black: 0,
        white: 255,
    };
    // ffprobe's color_range of these clips: tv, unknown, pc, pc.
    for (clip, levels) in [
        ("h265_video.mp4", limited),
        ("variable_rate.mp4", limited),
        ("mjpeg.avi", full),
        ("full_range_422.mp4", full),
    ] {
        assert_eq!(read(&data(clip)).info.levels, levels, "{clip}");
    }
}

#[test]
fn a_broken_frame_is_left_out_and_told() {
    let read = read(&data("corrupted.mp4"));
    // decord's published counts of this clip: 50 claimed, 49 decode.
    assert_eq!(read.info.claimed_frames, Some(50));
    // ffprobe: ten frames a second, the one at 3.0 s is missing, and the only key frame is the first. The packet
    // at 2.9 s comes after it, so that frame and the 19 after 3.0 s may be predicted from what nobody has.
    assert_eq!(read.frames.len(), 29);
    for (place, frame) in read.frames.iter().enumerate() {
        assert!((frame.time_s - place as f64 / 10.0).abs() < 1e-6);
    }
    let [
        ClipWarning::FramesLost {
            withheld_s,
            handed_on_s,
        },
    ] = &read.warnings[..]
    else {
        panic!("{:?}", read.warnings);
    };
    assert_eq!((withheld_s.len(), handed_on_s.len()), (21, 0));
    let all = || withheld_s.iter().copied();
    let (first_s, last_s) = (all().reduce(f64::min), all().reduce(f64::max));
    assert!((first_s.unwrap() - 2.9).abs() < 1e-6 && (last_s.unwrap() - 4.9).abs() < 1e-6);
}

#[test]
fn reading_frame_by_frame_gives_the_same_as_the_stream() {
    let path = data("h264_10bits.mp4");
    let mut clip = Clip::open(&path, &ClipOptions::default()).unwrap();
    let mut warnings = Vec::new();
    let mut frames = Vec::new();
    while let Some(frame) = clip.next_frame(&mut warnings).unwrap() {
        frames.push(frame);
    }
    assert!(clip.next_frame(&mut warnings).unwrap().is_none());
    assert_eq!(warnings, []);
    assert_eq!(frames, read(&path).frames);
}

#[test]
fn a_stream_can_be_left_early() {
    let mut stream = Clip::open(&data("nasa_stream0.mp4"), &ClipOptions::default())
        .unwrap()
        .into_stream()
        .unwrap();
    assert_eq!(stream.next().unwrap().unwrap().index, 0);
    assert_eq!(stream.finish(), []);
    let mut dropped = Clip::open(&data("nasa_stream0.mp4"), &ClipOptions::default())
        .unwrap()
        .into_stream()
        .unwrap();
    assert_eq!(dropped.next().unwrap().unwrap().index, 0);
}
