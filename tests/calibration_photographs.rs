//! The calibration on phone stills of a board that fills the middle of the picture, and the camera it
//! gives on stills of tags all over a room by the same phone.
//!
//! `tests/data/README.md` names the source, which publishes fx 765.00, fy 764.18, c 393.72, 304.66.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use crate::support::room::Room;
use hingewise::camera::Camera;
use hingewise::camera::calibration::{
    Board, CalibrateOptions, Calibration, CalibrationError, Chessboard, ChosenViews,
    DistortionTerms, Grade, Objection, TermsOutcome, Verdict, calibrate_candidates, survey,
};
use hingewise::clip::{Clip, ClipOptions};
use hingewise::progress::Silent;

const PUBLISHED: [f64; 4] = [765.00, 764.18, 393.72, 304.66];
const SIZE_PX: (usize, usize) = (816, 612);

fn data(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/calibration");
    folder.join(name)
}

fn from_stills(
    terms: Option<DistortionTerms>,
) -> Result<(Calibration, ChosenViews), CalibrationError> {
    let board = Board::Chessboard(Chessboard {
        columns: 7,
        rows: 5,
        square_mm: 30.0,
    });
    let options = ClipOptions {
        untimed: true,
        ..ClipOptions::default()
    };
    let clip = Clip::open(&data("wall_board"), &options).unwrap();
    let survey = survey(clip, board, &Silent, &mut Vec::new()).unwrap();
    assert_eq!(survey.size_px, SIZE_PX);
    let options = CalibrateOptions {
        terms,
        ..CalibrateOptions::default()
    };
    calibrate_candidates(&survey.candidates, survey.size_px, &options)
}

#[test]
fn stills_of_a_board_in_the_middle_give_the_published_camera() {
    let (calibration, chosen) = from_stills(None).unwrap();
    assert_eq!(calibration.views.len(), 17, "{:?}", chosen.spare);
    assert!(chosen.spare.is_empty());
    let found = calibration.camera.intrinsics();
    for (index, published) in PUBLISHED.into_iter().enumerate() {
        let u = 2.0 * calibration.covariance[(index, index)].sqrt();
        println!("{:.2} ± {u:.2} px against {published}", found[index]);
        assert!((found[index] - published).abs() <= u);
        // An interval that holds everything proves nothing: 2 % of the picture's width.
        assert!(u < 0.02 * SIZE_PX.0 as f64, "± {u}");
    }
    assert_eq!(calibration.camera.folds_at_px(SIZE_PX.0, SIZE_PX.1), None);

    let verdict = Verdict::of(&calibration);
    assert_eq!(verdict.grade, Grade::FilmAgain, "{verdict:?}");
    assert!(
        matches!(verdict.objections[0], Objection::MiddleOnly { .. }),
        "{verdict:?}"
    );
    assert!(verdict.headline().contains("only in the middle"));
}

/// k3 alone seems to pay, F 17, and turns the lens back inside the picture.
#[test]
fn a_model_that_folds_back_inside_the_picture_is_refused() {
    let (calibration, _) = from_stills(None).unwrap();
    let last = calibration.trials.last().unwrap();
    assert_eq!(last.terms, DistortionTerms::All);
    assert!(matches!(last.outcome, TermsOutcome::Folds { .. }));
    match from_stills(Some(DistortionTerms::All)) {
        Err(CalibrationError::Folds {
            at_px, corner_px, ..
        }) => assert!(at_px < corner_px),
        other => panic!("{other:?}"),
    }
}

/// Tags fixed to the walls of a room must fit together with the profile held, and better than with the
/// published figures, which are a pinhole. With a free lens the same corners leave 0.14 px, with k1 k2
/// p1 p2 k3 from eleven views of this board 8.9 px (own adjustments, the one that `start.csv` is from
/// and another). The board does not reach where most of the tags are, so 0.14 px cannot be expected.
#[test]
fn tags_on_the_walls_fit_together_with_the_profile_of_the_board() {
    let room = Room::read(&data("wall_tags"));
    let published = Camera {
        fx: PUBLISHED[0],
        fy: PUBLISHED[1],
        cx: PUBLISHED[2],
        cy: PUBLISHED[3],
        distortion: [0.0; 5],
    };
    let pinhole_px = room.rms_px(&published.intrinsics().into(), SIZE_PX);
    let (calibration, _) = from_stills(None).unwrap();
    let held_px = room.rms_px(&calibration.camera.intrinsics().into(), SIZE_PX);
    println!("{held_px:.3} px with the profile, {pinhole_px:.3} px with the published pinhole");
    assert!((pinhole_px - 0.35).abs() < 0.01, "{pinhole_px}");
    assert!(held_px < pinhole_px, "{held_px} against {pinhole_px}");
}
