//! `hingewise calibrate` as a person calls it.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use assert_cmd::Command;
use hingewise::camera::CameraProfile;
use predicates::prelude::*;
use predicates::str::contains;

const CHESSBOARD: [&str; 4] = ["--chessboard", "9x6", "--square-mm", "25"];

fn calibrate(folder: &Path, clip: &str, board: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingewise"));
    command
        .current_dir(folder)
        .args(["calibrate", clip])
        .args(board)
        .args(["--out", "camera.toml"]);
    command
}

fn data(name: &str) -> String {
    format!(
        "{}/tests/data/calibration/{name}",
        env!("CARGO_MANIFEST_DIR")
    )
}

/// A folder with some of the chessboard pictures.
fn some_pictures(folder: &Path, names: &[&str]) {
    let clip = folder.join("clip");
    std::fs::create_dir(&clip).unwrap();
    for name in names {
        std::fs::copy(
            Path::new(&data("chessboard_left")).join(name),
            clip.join(name),
        )
        .unwrap();
    }
}

#[test]
fn pictures_of_a_board_become_a_profile_a_page_and_a_verdict() {
    let folder = tempfile::tempdir().unwrap();
    calibrate(folder.path(), &data("chessboard_left"), &CHESSBOARD)
        .args(["--name", "left camera <1>", "--report", "page.html"])
        .args(["--distortion", "all"])
        .assert()
        .success()
        .stdout(
            contains("left camera <1>")
                .and(contains("° to a 30° deflection"))
                .and(contains("no view reaches the left edge"))
                .and(contains("move the board to the left edge"))
                .and(contains("13 views, 702 corners")),
        );
    // OpenCV 4.6.0 finds fx 532.827 with these pictures and all five distortion terms.
    let profile = CameraProfile::read(&folder.path().join("camera.toml")).unwrap();
    assert_eq!(profile.name, "left camera <1>");
    assert_eq!((profile.width_px, profile.height_px), (640, 480));
    assert_eq!(profile.views, Some(13));
    assert!((profile.camera.fx - 532.8).abs() < 0.5);
    let covariance = profile.covariance.unwrap();
    assert!(covariance.cholesky().is_some(), "{covariance}");

    let page = std::fs::read_to_string(folder.path().join("page.html")).unwrap();
    assert!(page.contains("left camera &#60;1&#62;") || page.contains("left camera &lt;1&gt;"));
    assert_eq!(page.matches("<svg").count(), 3);
    for alien in ["<script", "http://www.w3.org/1999", "https://", "src="] {
        assert!(!page.contains(alien), "{alien}");
    }
}

/// The verdict and the list of views must not contradict each other: "only 6 views" beside "more were
/// not needed".
#[test]
fn stills_are_all_used_and_the_cause_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let board = ["--chessboard", "7x5", "--square-mm", "30"];
    calibrate(folder.path(), &data("wall_board"), &board)
        .args(["--report", "page.html"])
        .assert()
        .success()
        .stdout(
            contains("17 views")
                .and(contains("Film again"))
                .and(contains("seen only in the middle of the picture"))
                .and(contains("move it to all four edges"))
                .and(contains("k3 (would fold the picture back"))
                .and(contains("not needed").not()),
        );
    let page = std::fs::read_to_string(folder.path().join("page.html")).unwrap();
    assert!(page.contains("seen only in the middle of the picture"));
    assert!(!page.contains("not needed"));
}

#[test]
fn a_lens_that_folds_back_is_refused_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let board = ["--chessboard", "7x5", "--square-mm", "30"];
    calibrate(folder.path(), &data("wall_board"), &board)
        .args(["--distortion", "all"])
        .assert()
        .code(2)
        .stdout("")
        .stderr(contains("folds back").and(contains("--distortion")));
    assert!(!folder.path().join("camera.toml").exists());
}

#[test]
fn a_clip_of_a_board_gives_one_view_for_each_place_where_it_was_held() {
    let folder = tempfile::tempdir().unwrap();
    let board = ["--charuco", "9x6", "--dictionary", "DICT_5X5_100"];
    calibrate(folder.path(), &data("phone_charuco.mp4"), &board)
        .args(["--square-mm", "24", "--marker-mm", "18"])
        .assert()
        .success();
    let profile = CameraProfile::read(&folder.path().join("camera.toml")).unwrap();
    assert_eq!((profile.width_px, profile.height_px), (960, 540));
    // The board was held at sixteen places, five frames each; looked at two or three times.
    let views = profile.views.unwrap();
    assert!((10..=16).contains(&views), "{views} views");
    // The camera that the pictures were rendered with, at this size.
    let sd_px = profile.covariance.unwrap()[(0, 0)].sqrt();
    println!("fx {:.3} ± {:.3} px", profile.camera.fx, 2.0 * sd_px);
    assert!((profile.camera.fx / 756.3 - 1.0).abs() < 0.0015);
    assert!((profile.camera.fx - 756.3).abs() < 3.0 * sd_px);
}

#[test]
fn the_result_is_json_where_that_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let output = calibrate(folder.path(), &data("chessboard_left"), &CHESSBOARD)
        .arg("--json")
        .assert()
        .success()
        .get_output()
        .stdout
        .clone();
    let result: serde_json::Value = serde_json::from_slice(&output).unwrap();
    assert_eq!(result["format"], "hingewise.calibration");
    assert_eq!(result["version"], 1);
    assert_eq!(result["views"].as_array().unwrap().len(), 13);
    assert_eq!(result["parameters"][0]["name"], "fx");
    assert!(result["parameters"][0]["u"].as_f64().unwrap() > 0.0);
}

#[test]
fn a_board_of_another_size_is_told() {
    let folder = tempfile::tempdir().unwrap();
    some_pictures(folder.path(), &["left01.jpg", "left02.jpg"]);
    calibrate(
        folder.path(),
        "clip",
        &["--chessboard", "10x7", "--square-mm", "25"],
    )
    .assert()
    .code(2)
    .stdout("")
    .stderr(
        contains("no chessboard of 10x7 inner corners in any of 2 pictures")
            .and(contains("a chessboard of 9x6 inner corners"))
            .and(contains("--chessboard 9x6")),
    );
    assert!(!folder.path().join("camera.toml").exists());
}

#[test]
fn markers_of_another_dictionary_or_width_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let charuco = |grid: &'static str, dictionary: &'static str| {
        let sizes = ["--square-mm", "24", "--marker-mm", "18"];
        [&["--charuco", grid, "--dictionary", dictionary], &sizes[..]].concat()
    };
    calibrate(
        folder.path(),
        &data("phone_charuco"),
        &charuco("9x6", "DICT_6X6_100"),
    )
    .assert()
    .code(2)
    .stderr(contains("markers of the set DICT_5X5_").and(contains("--dictionary DICT_5X5_")));
    calibrate(
        folder.path(),
        &data("phone_charuco"),
        &charuco("8x6", "DICT_5X5_100"),
    )
    .assert()
    .code(2)
    .stderr(contains("9 squares wide").and(contains("--charuco 9xROWS")));
    calibrate(
        folder.path(),
        &data("phone_charuco"),
        &charuco("9x6", "DICT_9X9"),
    )
    .assert()
    .code(2)
    .stderr(contains("no set of markers called \"DICT_9X9\"").and(contains("DICT_5X5_100")));
}

#[test]
fn too_few_views_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    some_pictures(folder.path(), &["left01.jpg", "left02.jpg", "left03.jpg"]);
    calibrate(folder.path(), "clip", &CHESSBOARD)
        .assert()
        .code(2)
        .stderr(contains("only 3 usable views").and(contains("at least 6")));
}

#[test]
fn no_board_at_all_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let clip = folder.path().join("clip");
    std::fs::create_dir(&clip).unwrap();
    for index in 0..2 {
        let grey = image::GrayImage::from_fn(320, 240, |x, y| image::Luma([(x / 4 + y / 8) as u8]));
        grey.save(clip.join(format!("{index}.png"))).unwrap();
    }
    calibrate(folder.path(), "clip", &CHESSBOARD)
        .assert()
        .code(2)
        .stderr(
            contains("no chessboard of 9x6 inner corners in any of 2 pictures")
                .and(contains("white margin")),
        );
}

#[test]
fn boards_that_cannot_be_are_refused_before_the_clip_is_read() {
    let folder = tempfile::tempdir().unwrap();
    for (board, told) in [
        (
            vec!["--chessboard", "2x9", "--square-mm", "25"],
            "2x9 inner corners",
        ),
        (
            "--charuco 9x6 --square-mm 24 --marker-mm 25 --dictionary DICT_5X5_100"
                .split(' ')
                .collect(),
            "25 mm do not fit",
        ),
        (
            "--charuco 12x9 --square-mm 24 --marker-mm 18 --dictionary DICT_5X5_50"
                .split(' ')
                .collect(),
            "needs 54 markers",
        ),
    ] {
        calibrate(folder.path(), "no-such-clip", &board)
            .assert()
            .code(2)
            .stderr(contains(told));
    }
}

#[test]
fn a_profile_is_not_overwritten_without_force() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("camera.toml"), "mine").unwrap();
    calibrate(folder.path(), &data("chessboard_left"), &CHESSBOARD)
        .assert()
        .code(2)
        .stderr(contains("--force"));
    let kept = std::fs::read_to_string(folder.path().join("camera.toml")).unwrap();
    assert_eq!(kept, "mine");
}
