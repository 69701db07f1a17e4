//! Folders of stills.

use std::path::Path;

use hingewise::clip::{Clip, ClipOptions, Levels, Lines};
use image::{GrayImage, ImageFormat, Luma};

use super::{data, read, try_read};

const UNTIMED: ClipOptions = ClipOptions {
    fps: None,
    untimed: true,
};

/// Writes pictures of one grey each.
pub fn write_greys(folder: &Path, pictures: &[(&str, u8)]) {
    for &(name, value) in pictures {
        GrayImage::from_pixel(8, 6, Luma([value]))
            .save(folder.join(name))
            .unwrap();
    }
}

fn greys_and_times(folder: &Path, options: &ClipOptions) -> Vec<(u8, f64)> {
    try_read(folder, options)
        .unwrap()
        .frames
        .iter()
        .map(|frame| (frame.image.pixels[0], frame.time_s))
        .collect()
}

#[test]
fn pictures_come_in_the_order_of_the_numbers_in_their_names() {
    let folder = tempfile::tempdir().unwrap();
    write_greys(
        folder.path(),
        &[("still10.png", 10), ("still9.PNG", 9), ("still1.png", 1)],
    );
    std::fs::write(
        folder.path().join("._still1.png"),
        b"a shadow of the system",
    )
    .unwrap();
    std::fs::write(folder.path().join("notes.txt"), b"no picture").unwrap();
    let options = ClipOptions {
        fps: Some(4.0),
        untimed: false,
    };
    assert_eq!(
        greys_and_times(folder.path(), &options),
        [(1, 0.0), (9, 0.25), (10, 0.5)]
    );
    let info = try_read(folder.path(), &options).unwrap().info;
    assert_eq!((info.width_px, info.height_px), (8, 6));
    assert_eq!(info.claimed_frames, Some(3));
    assert_eq!(
        info.levels,
        Levels {
            black: 0,
            white: 255
        }
    );
}

#[test]
fn a_single_still_is_the_one_that_reading_all_gives() {
    let folder = tempfile::tempdir().unwrap();
    write_greys(
        folder.path(),
        &[("1.png", 10), ("2.png", 20), ("3.png", 30)],
    );
    for frame in try_read(folder.path(), &UNTIMED).unwrap().frames {
        let clip = Clip::open(folder.path(), &UNTIMED).unwrap();
        let single = clip.frame(frame.index, frame.time_s).unwrap();
        assert_eq!(single, Some(frame));
    }
    let clip = Clip::open(folder.path(), &UNTIMED).unwrap();
    assert_eq!(clip.frame(3, 3.0).unwrap(), None);
}

#[test]
fn times_come_from_the_file_beside_the_pictures() {
    let folder = tempfile::tempdir().unwrap();
    write_greys(folder.path(), &[("a.png", 1), ("b.png", 2), ("c.png", 3)]);
    let times = folder.path().join("times.csv");

    std::fs::write(&times, "file,time_s\nb.png,12.5\na.png,14\nc.png,14.25\n").unwrap();
    assert_eq!(
        greys_and_times(folder.path(), &ClipOptions::default()),
        [(2, 0.0), (1, 1.5), (3, 1.75)]
    );

    std::fs::write(&times, "time_s\n0.5\n0.75\n2\n").unwrap();
    assert_eq!(
        greys_and_times(folder.path(), &ClipOptions::default()),
        [(1, 0.0), (2, 0.25), (3, 1.5)]
    );
}

#[test]
fn pictures_for_a_calibration_need_no_times() {
    let folder = tempfile::tempdir().unwrap();
    write_greys(folder.path(), &[("a.png", 1), ("b.png", 2)]);
    assert_eq!(
        greys_and_times(folder.path(), &UNTIMED),
        [(1, 0.0), (2, 1.0)]
    );
}

/// One line of `stills.csv`: the picture's file, its width and height in pixels, and the means over a
/// 4 × 4 grid, computed from what FFmpeg's command-line tool decodes, with the weights of BT.709.
type Expected = (String, usize, usize, [f64; 16]);

#[test]
fn pictures_of_all_kinds_have_the_greys_that_another_decoder_finds() {
    // A second decoder may round its colours otherwise; a wrong conversion is off by far more.
    const DECODERS_DIFFER: f64 = 1.0;
    let mut lines = csv::Reader::from_path(data("stills.csv")).unwrap();
    let mut checked = 0;
    for line in lines.deserialize() {
        let (picture, width_px, height_px, means): Expected = line.unwrap();
        let folder = tempfile::tempdir().unwrap();
        std::fs::copy(data("stills").join(&picture), folder.path().join(&picture)).unwrap();
        let read = try_read(folder.path(), &UNTIMED).unwrap();
        let image = &read.frames[0].image;
        let (width, height) = (image.width_px, image.height_px);
        assert_eq!((width, height), (width_px, height_px));
        for (cell, mean) in means.iter().enumerate() {
            let (row, column) = (cell / 4, cell % 4);
            let values: Vec<f64> = (row * height / 4..(row + 1) * height / 4)
                .flat_map(|y| {
                    let columns = column * width / 4..(column + 1) * width / 4;
                    columns.map(move |x| f64::from(image.pixels[y * width + x]))
                })
                .collect();
            let found = values.iter().sum::<f64>() / values.len() as f64;
            assert!(
                (found - mean).abs() < DECODERS_DIFFER,
                "{picture}, cell {cell}: {found:.2} for {mean:.2}"
            );
        }
        checked += 1;
    }
    assert_eq!(checked, 4);
}

/// A JPEG whose stored picture is 32 × 16, its first row's first quarter white, with this
/// orientation in an EXIF segment (CIPA DC-008, TIFF tag 274).
pub fn jpeg_with_orientation(orientation: u8) -> Vec<u8> {
    let stored = GrayImage::from_fn(32, 16, |x, y| Luma([if x < 8 && y < 8 { 255 } else { 0 }]));
    let mut plain = std::io::Cursor::new(Vec::new());
    stored.write_to(&mut plain, ImageFormat::Jpeg).unwrap();
    let mut exif = b"Exif\0\0MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
    exif.extend([orientation, 0, 0, 0, 0, 0, 0]);
    let mut bytes = vec![0xff, 0xd8, 0xff, 0xe1];
    bytes.extend((exif.len() as u16 + 2).to_be_bytes());
    bytes.extend(exif);
    bytes.extend(&plain.into_inner()[2..]);
    bytes
}

#[test]
fn the_orientation_in_exif_is_obeyed() {
    // CIPA DC-008: the 0th row is the visual 1 top, 3 bottom, 6 right-hand side, 8 left-hand side;
    // the 0th column is the visual 1 left, 3 right, 6 top, 8 bottom.
    for (orientation, size_px, white_is_right, white_is_low) in [
        (1, (32, 16), false, false),
        (3, (32, 16), true, true),
        (6, (16, 32), true, false),
        (8, (16, 32), false, true),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let picture = folder.path().join("a.jpg");
        std::fs::write(picture, jpeg_with_orientation(orientation)).unwrap();
        let read = try_read(folder.path(), &UNTIMED).unwrap();
        assert_eq!((read.info.width_px, read.info.height_px), size_px);
        let turned = size_px == (16, 32);
        let lines = if turned { Lines::Columns } else { Lines::Rows };
        assert_eq!(read.info.lines, lines);
        let image = &read.frames[0].image;
        assert_eq!((image.width_px, image.height_px), size_px);
        let corner = |right: bool, low: bool| {
            let x = if right { size_px.0 - 3 } else { 2 };
            let y = if low { size_px.1 - 3 } else { 2 };
            image.pixels[y * size_px.0 + x]
        };
        for (right, low) in [(false, false), (false, true), (true, false), (true, true)] {
            let white = (right, low) == (white_is_right, white_is_low);
            assert_eq!(
                corner(right, low) > 128,
                white,
                "{orientation} {right} {low}"
            );
        }
    }
}

#[test]
fn a_folder_gives_no_warnings() {
    let folder = tempfile::tempdir().unwrap();
    write_greys(folder.path(), &[("a.png", 1)]);
    std::fs::write(folder.path().join("times.csv"), "time_s\n5\n").unwrap();
    assert_eq!(read(folder.path()).warnings, []);
}
