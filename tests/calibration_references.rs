//! The calibration against published pictures, points and results (`tests/data/calibration`, with
//! the sources in `tests/data/README.md`).

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use hingewise::camera::calibration::{
    Board, BoardFinder, BoardPoint, BoardShape, BoardView, CalibrateOptions, Calibration, Charuco,
    CharucoLayout, Chessboard, DistortionTerms, Outliers, calibrate, calibrate_candidates, survey,
};
use hingewise::clip::{Clip, ClipOptions, GreyImage};
use hingewise::progress::Silent;
use hingewise::vision::Dictionary;
use nalgebra::Point2;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/calibration")
        .join(name)
}

fn grey(path: &Path) -> GreyImage {
    let picture = image::open(path).unwrap().to_luma8();
    GreyImage {
        width_px: picture.width() as usize,
        height_px: picture.height() as usize,
        pixels: picture.into_raw().into(),
    }
}

/// All pictures of a folder, calibrated with a board of 9 by 6 inner corners.
fn from_pictures(folder: &str, options: &CalibrateOptions) -> Calibration {
    let board = Board::Chessboard(Chessboard {
        columns: 9,
        rows: 6,
        square_mm: 25.0,
    });
    let mut finder = BoardFinder::new(board).unwrap();
    let mut paths: Vec<PathBuf> = std::fs::read_dir(data(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    paths.sort();
    let views: Vec<BoardView> = paths
        .iter()
        .map(|path| {
            let name = path.file_name().unwrap().to_str().unwrap();
            finder.look(name, &grey(path)).unwrap().unwrap().view
        })
        .collect();
    assert_eq!(views.len(), 13);
    calibrate(&views, (640, 480), options).unwrap()
}

/// Share of a chessboard's 13 · 54 crossings that were used: a small RMS from a handful of points
/// would prove nothing.
fn used_share(calibration: &Calibration) -> f64 {
    let used: usize = calibration.views.iter().map(|view| view.points.len()).sum();
    used as f64 / (13.0 * 54.0)
}

/// OpenCV 4.6.0 with corners refined in a window of half-width 5 px and with k1 k2 p1 p2 k3: RMS
/// 0.1954 px, fx 532.827, fy 532.946, c 342.487, 233.856.
#[test]
fn the_left_chessboard_pictures_give_the_reference_camera() {
    let reference = [532.827, 532.946, 342.487, 233.856];
    let same_terms = CalibrateOptions {
        terms: Some(DistortionTerms::All),
        ..CalibrateOptions::default()
    };
    let calibration = from_pictures("chessboard_left", &same_terms);
    assert!(calibration.rms_px <= 0.20);
    assert!((calibration.camera.fx - 532.8).abs() <= 0.5);
    assert!(used_share(&calibration) > 0.97);

    // k3 is 0.13 ± 0.36: without it, too, all must hold within the ±.
    let calibration = from_pictures("chessboard_left", &CalibrateOptions::default());
    assert!(calibration.rms_px <= 0.20);
    assert!(calibration.terms < DistortionTerms::All);
    let found = calibration.camera.intrinsics();
    for (index, reference) in reference.into_iter().enumerate() {
        let u = 2.0 * calibration.covariance[(index, index)].sqrt();
        assert!((found[index] - reference).abs() <= u.min(2.5));
    }
}

/// OpenCV 4.6.0 with corners refined in a window of half-width 5 px: RMS 0.2070 px, fx 537.453,
/// c 327.59, 248.88.
#[test]
fn the_right_chessboard_pictures_give_the_reference_camera() {
    let calibration = from_pictures("chessboard_right", &CalibrateOptions::default());
    assert!(calibration.rms_px <= 0.21);
    assert!(used_share(&calibration) > 0.97);
}

/// Z. Zhang's five views of 256 points, published fx 832.5; without skew and with k1 and k2 only
/// the least squares are RMS 0.33689 px, fx 832.2069, fy 832.2425, c 304.0683, 206.3724,
/// k1 −0.228531, k2 0.191011 (recomputed with OpenCV 4.6.0).
#[test]
fn zhangs_points_give_zhangs_camera() {
    let numbers = |name: &str| -> Vec<f64> {
        let text = std::fs::read_to_string(data("zhang").join(name)).unwrap();
        text.split_whitespace()
            .map(|word| word.parse().unwrap())
            .collect()
    };
    let model = numbers("Model.txt");
    let views: Vec<BoardView> = (1..=5)
        .map(|view| {
            let seen = numbers(&format!("data{view}.txt"));
            assert_eq!((model.len(), seen.len()), (512, 512));
            let points = model.chunks(2).zip(seen.chunks(2)).enumerate();
            BoardView {
                name: format!("view {view}"),
                points: points
                    .map(|(index, (on_board, in_image))| BoardPoint {
                        column: index % 32,
                        row: index / 32,
                        on_board_mm: Point2::new(on_board[0], on_board[1]) * 25.4,
                        in_image_px: Point2::new(in_image[0], in_image[1]),
                        sd_px: 1.0,
                    })
                    .collect(),
                blur_px: 0.0,
            }
        })
        .collect();
    let options = CalibrateOptions {
        terms: Some(DistortionTerms::Radial),
        fewest_views: 5,
        ..CalibrateOptions::default()
    };
    let calibration = calibrate(&views, (640, 480), &options).unwrap();
    let camera = calibration.camera;
    let used: usize = calibration.views.iter().map(|view| view.points.len()).sum();
    assert_eq!(used, 5 * 256);
    assert!((calibration.rms_px - 0.33689).abs() <= 0.0005);
    assert!((camera.fx - 832.2069).abs() <= 0.1);
    assert!((camera.fy - 832.2425).abs() <= 0.1);
    assert!((camera.cx - 304.0683).abs() <= 0.1);
    assert!((camera.cy - 206.3724).abs() <= 0.1);
    assert!((camera.distortion[0] + 0.228531).abs() <= 1e-4);
    assert!((camera.distortion[1] - 0.191011).abs() <= 1e-3);
}

/// 43 views of a board of tags by a webcam of 1280 × 720 px. The published K has fx 1044.52,
/// fy 1044.28; OpenCV 4.6.0 makes fx 1042.9 of all these points.
fn webcam_views() -> Vec<BoardView> {
    let mut reader = csv::Reader::from_path(data("webcam_points/left_points.csv")).unwrap();
    let mut views: Vec<BoardView> = Vec::new();
    let mut last_view = None;
    for record in reader.deserialize() {
        let (view, tag, corner, x_m, y_m, u_px, v_px): (usize, usize, usize, f64, f64, f64, f64) =
            record.unwrap();
        if last_view != Some(view) {
            last_view = Some(view);
            views.push(BoardView {
                name: format!("view {view}"),
                points: Vec::new(),
                blur_px: 0.0,
            });
        }
        views.last_mut().unwrap().points.push(BoardPoint {
            column: corner,
            row: tag,
            on_board_mm: Point2::new(x_m, y_m) * 1000.0,
            in_image_px: Point2::new(u_px, v_px),
            sd_px: 1.0,
        });
    }
    assert_eq!(views.len(), 43);
    views
}

#[test]
fn all_of_the_webcams_points_give_the_recomputed_focal_length() {
    let options = CalibrateOptions {
        outliers: Outliers::Keep,
        shape: Some(BoardShape::Flat),
        ..CalibrateOptions::default()
    };
    let calibration = calibrate(&webcam_views(), (1280, 720), &options).unwrap();
    assert_eq!(calibration.views.len(), 43);
    assert!((calibration.camera.fx - 1042.9).abs() <= 0.2);
}

/// Some corners of this set lie 3 to 6 px off. Without them the published K, of a board taken for
/// flat, must hold within the interval found, and within 5 px.
#[test]
fn the_webcams_better_points_give_its_published_focal_length() {
    let options = CalibrateOptions {
        shape: Some(BoardShape::Flat),
        ..CalibrateOptions::default()
    };
    let calibration = calibrate(&webcam_views(), (1280, 720), &options).unwrap();
    let (fx, fy) = (calibration.camera.fx, calibration.camera.fy);
    let interval = 2.0 * calibration.covariance[(0, 0)].sqrt();
    assert!(calibration.rms_px < 0.8);
    assert!(
        (fx - 1044.52).abs() <= interval.min(5.0),
        "{fx} ± {interval}"
    );
    assert!(
        (fy - 1044.28).abs() <= interval.min(5.0),
        "{fy} ± {interval}"
    );
}

/// Two cameras filmed one board at the same time: whatever bend they find must be the same one.
#[test]
fn two_cameras_agree_on_the_bend_of_their_board() {
    let options = CalibrateOptions {
        shape: Some(BoardShape::Bent),
        ..CalibrateOptions::default()
    };
    let left = from_pictures("chessboard_left", &options);
    let right = from_pictures("chessboard_right", &options);
    assert!(left.bend_mm.amax() > 0.3 && left.bend_f_value > 10.0);
    assert!(
        (left.bend_mm - right.bend_mm).amax() < 0.1,
        "{} {}",
        left.bend_mm,
        right.bend_mm
    );
}

/// Rendered pictures of a ChArUco board with six rows; the true camera at this size has
/// fx = fy = 756.3, c = 478.15, 272.2, distortion 0.062 −0.098 −0.0004 0.0005 0 (the renderer's own
/// record). fx must come within 0.15 %, and everything within four standard deviations.
#[test]
fn pictures_of_a_charuco_board_give_the_camera_that_took_them() {
    let board = Board::Charuco(Charuco {
        columns: 9,
        rows: 6,
        square_mm: 24.0,
        marker_mm: 18.0,
        dictionary: Dictionary::named("DICT_5X5_100").unwrap(),
    });
    let options = ClipOptions {
        untimed: true,
        ..ClipOptions::default()
    };
    let clip = Clip::open(&data("phone_charuco"), &options).unwrap();
    let survey = survey(clip, board, &Silent, &mut Vec::new()).unwrap();
    assert_eq!(survey.layout, Some(CharucoLayout::TopLeftBlack));
    assert_eq!(survey.candidates.len(), 16);
    assert_eq!(survey.candidates[3].view.name, "calib_03.jpg");

    let options = CalibrateOptions::default();
    let (calibration, _) =
        calibrate_candidates(&survey.candidates, survey.size_px, &options).unwrap();
    assert!(calibration.rms_px < 0.05);
    assert!((calibration.camera.fx / 756.3 - 1.0).abs() < 0.0015);
    assert!((calibration.camera.fy / 756.3 - 1.0).abs() < 0.0015);
    let truth = [
        756.3, 756.3, 478.15, 272.2, 0.062, -0.098, -0.0004, 0.0005, 0.0,
    ];
    let found = calibration.camera.intrinsics();
    for (index, truth) in truth.into_iter().enumerate() {
        let sd = calibration.covariance[(index, index)].sqrt();
        assert!(
            (found[index] - truth).abs() < 4.0 * sd,
            "parameter {index}: {} ± {sd} against {truth}",
            found[index]
        );
    }
}
