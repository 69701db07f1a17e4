//! Folders of stills that cannot be read.

use hingewise::clip::{ClipError, ClipOptions, TimesProblem};
use image::{GrayImage, Luma};

use super::stills::{jpeg_with_orientation, write_greys};
use super::{data, refused};

const UNTIMED: ClipOptions = ClipOptions {
    fps: None,
    untimed: true,
};

fn folder_with(pictures: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for picture in pictures {
        std::fs::copy(data("stills").join(picture), folder.path().join(picture)).unwrap();
    }
    folder
}

#[test]
fn a_folder_without_pictures_is_told() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("photo.heic"), b"").unwrap();
    let error = refused(folder.path(), &UNTIMED);
    assert!(
        matches!(error, ClipError::NoStills { others: 1, .. }),
        "{error}"
    );
    assert!(error.mend().contains(".png or .jpg"));
}

#[test]
fn pictures_of_different_sizes_are_both_named() {
    let folder = tempfile::tempdir().unwrap();
    write_greys(folder.path(), &[("a.png", 1), ("b.png", 1)]);
    GrayImage::from_pixel(6, 8, Luma([1]))
        .save(folder.path().join("c.png"))
        .unwrap();
    let text = refused(folder.path(), &UNTIMED).to_string();
    for part in ["a.png", "8 × 6", "c.png", "6 × 8"] {
        assert!(text.contains(part), "{text}");
    }
}

#[test]
fn broken_pictures_are_named() {
    for picture in ["broken.png", "broken_data_stream.png"] {
        let folder = folder_with(&[picture]);
        let error = refused(folder.path(), &UNTIMED);
        assert!(matches!(error, ClipError::BrokenStill { .. }), "{error}");
        assert!(error.to_string().contains(picture), "{error}");
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("empty.png"), b"").unwrap();
    let error = refused(folder.path(), &UNTIMED);
    assert!(matches!(error, ClipError::BrokenStill { .. }), "{error}");
}

#[test]
fn a_forged_size_asks_for_no_memory() {
    let folder = folder_with(&["bomb_60000x60000_gray.png"]);
    let error = refused(folder.path(), &UNTIMED);
    assert!(
        matches!(
            error,
            ClipError::TooLarge {
                width_px: 60000,
                height_px: 60000,
                ..
            }
        ),
        "{error}"
    );
}

#[test]
fn mirrored_pictures_are_refused() {
    // CIPA DC-008: 2, 4, 5 and 7 are the mirrored orientations.
    for orientation in [2, 4, 5, 7] {
        let folder = tempfile::tempdir().unwrap();
        let picture = folder.path().join("a.jpg");
        std::fs::write(picture, jpeg_with_orientation(orientation)).unwrap();
        let error = refused(folder.path(), &UNTIMED);
        assert!(matches!(error, ClipError::Mirrored { .. }), "{error}");
    }
}

fn refused_with_times(times: Option<&str>, fps: Option<f64>) -> ClipError {
    let folder = tempfile::tempdir().unwrap();
    write_greys(folder.path(), &[("a.png", 1), ("b.png", 2)]);
    if let Some(times) = times {
        std::fs::write(folder.path().join("times.csv"), times).unwrap();
    }
    let options = ClipOptions {
        fps,
        untimed: false,
    };
    refused(folder.path(), &options)
}

#[test]
fn pictures_need_times_once() {
    let error = refused_with_times(None, None);
    assert!(
        matches!(error, ClipError::StillsWithoutTimes { stills: 2, .. }),
        "{error}"
    );
    assert!(error.mend().contains("times.csv") && error.mend().contains("--fps"));

    let error = refused_with_times(Some("time_s\n0\n1\n"), Some(30.0));
    assert!(matches!(error, ClipError::TimesTwice { .. }), "{error}");

    for fps in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let error = refused_with_times(None, Some(fps));
        assert!(matches!(error, ClipError::BadFps { .. }), "{error}");
    }
}

#[test]
fn a_bad_times_file_is_told_with_its_line() {
    let error = refused_with_times(Some("file,time_s\na.png,1\nb.png,1\n"), None);
    assert!(
        matches!(
            error,
            ClipError::TimesFile {
                line: 3,
                problem: TimesProblem::NotRising { .. },
                ..
            }
        ),
        "{error}"
    );
    assert!(error.to_string().contains("times.csv`, line 3"), "{error}");
}
