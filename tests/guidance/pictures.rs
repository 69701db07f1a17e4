//! Rendered pictures of a ChArUco board, fed one after the other as a camera would.
//!
//! `tests/data/README.md` names them; the true camera is the renderer's own record.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use hingewise::camera::calibration::{
    Board, BoardFinder, CalibrateOptions, Charuco, Verdict, calibrate_candidates, survey,
};
use hingewise::camera::guidance::{Guidance, Outcome, Part, Phase};
use hingewise::clip::{Clip, ClipOptions, GreyImage};
use hingewise::progress::Silent;
use hingewise::vision::Dictionary;
use nalgebra::Point2;

use super::person::true_error_deg;

const TRUTH: [f64; 9] = [
    756.3, 756.3, 478.15, 272.2, 0.062, -0.098, -0.0004, 0.0005, 0.0,
];
const SIZE_PX: (usize, usize) = (960, 540);

fn board() -> Board {
    Board::Charuco(Charuco {
        columns: 9,
        rows: 6,
        square_mm: 24.0,
        marker_mm: 18.0,
        dictionary: Dictionary::named("DICT_5X5_100").unwrap(),
    })
}

fn open() -> Clip {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/calibration/phone_charuco");
    let options = ClipOptions {
        untimed: true,
        ..ClipOptions::default()
    };
    Clip::open(&folder, &options).unwrap()
}

fn pictures() -> Vec<GreyImage> {
    let mut frames = open().into_stream().unwrap();
    let pictures = (&mut frames).map(|frame| frame.unwrap().image).collect();
    assert!(frames.finish().is_empty());
    pictures
}

/// A person with sixteen pictures, who shows the one that is most like the outline.
struct Shower {
    guidance: Guidance,
    left: Vec<(GreyImage, [Point2<f64>; 4])>,
    time_s: f64,
    kept: BTreeMap<(bool, String), GreyImage>,
    /// Those that were not kept, for later.
    later: Vec<(GreyImage, [Point2<f64>; 4])>,
    shown_again: usize,
}

impl Shower {
    fn new() -> Self {
        let mut guidance = Guidance::new(board()).unwrap();
        // An empty bench: from here on there is an outline.
        let nothing = GreyImage {
            width_px: SIZE_PX.0,
            height_px: SIZE_PX.1,
            pixels: vec![128; SIZE_PX.0 * SIZE_PX.1].into(),
        };
        let look = guidance.look(0.0, &nothing).unwrap();
        assert!(matches!(look.outcome, Outcome::NotSeen(_)));
        let left = pictures().into_iter();
        Self {
            guidance,
            left: left
                .map(|picture| (picture.clone(), outline(&picture)))
                .collect(),
            time_s: 0.0,
            kept: BTreeMap::new(),
            later: Vec::new(),
            shown_again: 0,
        }
    }

    /// Shows the next picture for half a second; what became of it, `None` when all were shown.
    fn show_next(&mut self) -> Option<Outcome> {
        if self.left.is_empty() {
            self.left.append(&mut self.later);
        }
        let ask = self.guidance.standing().ask;
        let miss = |outline: &[Point2<f64>; 4]| {
            let asked = ask.as_ref().map_or(*outline, |ask| ask.outline_px);
            // A board may be held either way up: only where its corners are counts.
            (0..4)
                .map(|turn| {
                    let pairs = (0..4).map(|corner| outline[corner] - asked[(corner + turn) % 4]);
                    pairs.map(|apart| apart.norm_squared()).sum::<f64>()
                })
                .fold(f64::INFINITY, f64::min)
        };
        let (nearest, _) = self
            .left
            .iter()
            .enumerate()
            .min_by(|(_, a), (_, b)| miss(&a.1).total_cmp(&miss(&b.1)))?;
        let (picture, shown) = self.left.remove(nearest);
        self.time_s += 1.0;
        let mut outcome = None;
        for _ in 0..6 {
            self.time_s += 0.1;
            let look = self.guidance.look(self.time_s, &picture).unwrap();
            let is_kept = matches!(look.outcome, Outcome::Kept(_));
            outcome = Some(look.outcome);
            if is_kept {
                break;
            }
        }
        match &outcome {
            Some(Outcome::Kept(kept)) => {
                let key = (kept.part == Part::Check, kept.file_name());
                self.kept.insert(key, picture);
            }
            // A place that helps little now may serve the check.
            _ if !self.kept.is_empty() && self.shown_again < 16 => {
                self.shown_again += 1;
                self.later.push((picture, shown));
            }
            _ => {}
        }
        while let Some(work) = self.guidance.work() {
            self.guidance.settle(work.run());
        }
        outcome
    }

    /// Saves the kept pictures: those of the fit in a folder, those of the check in one below it.
    fn save(&self, folder: &Path) {
        std::fs::create_dir_all(folder.join("check")).unwrap();
        for ((is_check, name), picture) in &self.kept {
            let path: PathBuf = match is_check {
                true => folder.join("check").join(name),
                false => folder.join(name),
            };
            let (width, height) = (picture.width_px as u32, picture.height_px as u32);
            let pixels = picture.pixels.to_vec();
            let grey = image::GrayImage::from_raw(width, height, pixels).unwrap();
            grey.save(path).unwrap();
        }
    }
}

/// Corners of the board in a picture, a square beyond its outermost crossings.
fn outline(picture: &GreyImage) -> [Point2<f64>; 4] {
    let mut finder = BoardFinder::new(board()).unwrap();
    let view = finder.look("", picture).unwrap().unwrap().view;
    let at = |column: usize, row: usize| {
        let mut points = view.points.iter();
        let distance = |point: &&hingewise::camera::calibration::BoardPoint| {
            point.column.abs_diff(column) + point.row.abs_diff(row)
        };
        // A hidden corner is stood for by the crossing next to it.
        let nearest = points.clone().min_by_key(distance);
        let exact = points.find(|point| (point.column, point.row) == (column, row));
        exact.or(nearest).unwrap().in_image_px
    };
    [(0, 0, 1, 1), (7, 0, 6, 1), (7, 4, 6, 3), (0, 4, 1, 3)].map(
        |(column, row, inner_column, inner_row)| {
            at(column, row) + (at(column, row) - at(inner_column, inner_row))
        },
    )
}

/// What `calibrate` makes of all sixteen: their ± of a 30° deflection, and its true error.
fn from_all() -> (f64, f64) {
    let survey = survey(open(), board(), &Silent, &mut Vec::new()).unwrap();
    let options = CalibrateOptions::default();
    let (calibration, _) =
        calibrate_candidates(&survey.candidates, survey.size_px, &options).unwrap();
    assert_eq!(calibration.views.len(), 16);
    let u_deg = Verdict::of(&calibration).u_of_30_deg;
    (u_deg, true_error_deg(&calibration.camera, TRUTH, SIZE_PX.0))
}

#[test]
fn half_as_many_pictures_as_the_folder_holds_give_as_good_a_profile() {
    let (all_u_deg, all_error_deg) = from_all();
    println!("all sixteen: ±{all_u_deg:.4}°, true error {all_error_deg:.4}°");
    let mut shower = Shower::new();
    let mut after_eight = None;
    while let Some(outcome) = shower.show_next() {
        let standing = shower.guidance.standing();
        let profile = shower.guidance.profile("");
        let error_deg = profile.map(|profile| true_error_deg(&profile.camera, TRUTH, SIZE_PX.0));
        println!(
            "{outcome:?}: {} views, {:?}, ±{:.4?}°, true error {error_deg:.4?}, {:?}",
            standing.fit_views, standing.phase, standing.u_deg, standing.missing
        );
        if let Some(check) = standing.check {
            println!("{}", check.words());
        }
        if standing.fit_views == 8 {
            after_eight = Some((standing.u_deg.unwrap(), error_deg.unwrap()));
        }
    }
    // As good: good by the same verdict, true to what it states, and better than half of all views taken at
    // random, which leave √2 times the uncertainty.
    let (u_deg, error_deg) = after_eight.unwrap();
    assert!(all_u_deg <= 0.01 && u_deg <= 0.01, "{u_deg}");
    assert!(
        u_deg <= all_u_deg * 2_f64.sqrt(),
        "{u_deg} against {all_u_deg}"
    );
    assert!(error_deg <= u_deg, "{error_deg} against {u_deg}");
}

/// The profile that the guide ends with is that of the command on the saved pictures, to the byte.
#[test]
fn the_command_makes_the_same_profile_from_the_kept_pictures() {
    let mut shower = Shower::new();
    while shower.show_next().is_some() {}
    let standing = shower.guidance.standing();
    assert!(standing.fit_views >= 8, "{}", standing.fit_views);
    let profile = shower.guidance.profile("webcam, 960 × 540").unwrap();

    let folder = tempfile::tempdir().unwrap();
    shower.save(&folder.path().join("kept"));
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder.path())
        .args([
            "calibrate",
            "kept",
            "--charuco",
            "9x6",
            "--dictionary",
            "DICT_5X5_100",
        ])
        .args(["--square-mm", "24", "--marker-mm", "18"])
        .args(["--name", "webcam, 960 × 540", "--out", "camera.toml"])
        .assert()
        .success();
    let written = std::fs::read_to_string(folder.path().join("camera.toml")).unwrap();
    assert_eq!(written, profile.to_toml());
}

#[test]
fn a_board_of_another_width_or_size_is_named() {
    let picture = &pictures()[3];
    let named = |board: Board, picture: &GreyImage| {
        let mut guidance = Guidance::new(board).unwrap();
        let mut words = String::new();
        for look in 0..4 {
            let time_s = 0.8 * f64::from(look);
            let outcome = guidance.look(time_s, picture).unwrap().outcome;
            let Outcome::NotSeen(not_seen) = outcome else {
                panic!("{outcome:?}");
            };
            words = not_seen.words(&board);
            if look == 0 {
                println!("at once: {words}");
                // A person is never left without a word.
                assert!(!words.is_empty());
            }
            while let Some(work) = guidance.work() {
                guidance.settle(work.run());
            }
        }
        words
    };
    let Board::Charuco(printed) = board() else {
        panic!()
    };
    let narrower = Charuco {
        columns: 8,
        ..printed
    };
    assert_eq!(
        named(Board::Charuco(narrower), picture),
        "This board is 9 squares wide, but you entered 8."
    );
    let other = Charuco {
        dictionary: Dictionary::named("DICT_4X4_100").unwrap(),
        ..printed
    };
    assert!(named(Board::Charuco(other), picture).contains("DICT_5X5"));

    // OpenCV's pictures of a chessboard of 9 × 6 inner corners.
    let chessboard = |columns, rows| {
        Board::Chessboard(hingewise::camera::calibration::Chessboard {
            columns,
            rows,
            square_mm: 25.0,
        })
    };
    let file = "tests/data/calibration/chessboard_left/left01.jpg";
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    let grey = image::open(path).unwrap().into_luma8();
    let picture = GreyImage {
        width_px: grey.width() as usize,
        height_px: grey.height() as usize,
        pixels: grey.into_raw().into(),
    };
    for (columns, rows) in [(9, 5), (10, 7), (8, 6), (9, 7)] {
        assert_eq!(
            named(chessboard(columns, rows), &picture),
            format!("This board has 9×6 crossings, but you entered {columns}×{rows}.")
        );
    }
}

#[test]
fn the_check_comes_last_and_never_enters_the_fit() {
    let mut shower = Shower::new();
    let mut parts = Vec::new();
    while let Some(outcome) = shower.show_next() {
        if let Outcome::Kept(kept) = outcome {
            parts.push(kept.part);
        }
    }
    let standing = shower.guidance.standing();
    let checks = parts.iter().filter(|part| **part == Part::Check).count();
    println!("{parts:?} {:?}", standing.phase);
    assert_eq!(standing.check_views, checks);
    let profile = shower.guidance.profile("").unwrap();
    assert_eq!(profile.views, Some(parts.len() - checks));
    assert_eq!(standing.phase, Phase::Done);
}
