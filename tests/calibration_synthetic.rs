//! The calibration against synthetic boards, whose camera is known exactly.
//!
//! The world is `tests/support`: its lens and randomness share no code with the calibration.

#![allow(clippy::unwrap_used)]

use crate::support::lens::Lens;
use crate::support::random::Random;
use hingewise::camera::calibration::{
    BoardPoint, BoardView, CalibrateOptions, Calibration, CalibrationError, Candidate,
    DistortionTerms, DroppedReason, Grade, Objection, Verdict, calibrate, choose_views,
};
use nalgebra::Point2;
use rayon::prelude::*;

const COLUMNS: usize = 9;
const ROWS: usize = 6;
const SQUARE_MM: f64 = 24.0;
const RUNS: u64 = 200;
const PARAMETERS: [&str; 9] = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];

/// How a synthetic board is seen.
#[derive(Debug, Clone, Copy)]
struct Filming {
    lens: Lens,
    views: usize,
    noise_px: f64,
    /// Largest tilt.
    tilt_deg: f64,
    /// Height of the bend of the paper over its width.
    bend_mm: f64,
}

impl Filming {
    fn phone() -> Self {
        Self {
            lens: Lens::phone(),
            views: 15,
            noise_px: 0.1,
            tilt_deg: 40.0,
            bend_mm: 0.0,
        }
    }

    fn views(&self, seed: u64) -> Vec<BoardView> {
        let mut random = Random::new(seed);
        (0..self.views)
            .map(|index| self.view(&mut random, format!("view {index}")))
            .collect()
    }

    /// A board tilted at random about its middle, which lies at random in the picture.
    fn view(&self, random: &mut Random, name: String) -> BoardView {
        let lens = &self.lens;
        let angles = [(); 3].map(|()| random.between(-1.0, 1.0) * self.tilt_deg.to_radians());
        let turn = rotation(angles[0], angles[1], angles[2]);
        let width_mm = SQUARE_MM * COLUMNS as f64;
        let depth_mm =
            random.between(1.0, 2.0) * width_mm * lens.intrinsics[0] / lens.width_px as f64;
        let at = [
            random.between(0.25, 0.75) * lens.width_px as f64,
            random.between(0.25, 0.75) * lens.height_px as f64,
        ];
        let ray = lens.normalised(at);
        let middle_mm = [ray[0] * depth_mm, ray[1] * depth_mm, depth_mm];
        let mut points = Vec::new();
        for row in 0..ROWS {
            for column in 0..COLUMNS {
                let x = (column as f64 - (COLUMNS as f64 - 1.0) / 2.0) * SQUARE_MM;
                let y = (row as f64 - (ROWS as f64 - 1.0) / 2.0) * SQUARE_MM;
                let z = self.bend_mm * (2.0 * x / width_mm).powi(2);
                let in_camera = [0, 1, 2]
                    .map(|i| turn[i][0] * x + turn[i][1] * y + turn[i][2] * z + middle_mm[i]);
                let seen = lens.project(in_camera);
                let noisy = seen.map(|value| value + self.noise_px * random.normal());
                let inside = noisy[0] > 0.0
                    && noisy[1] > 0.0
                    && noisy[0] < lens.width_px as f64 - 1.0
                    && noisy[1] < lens.height_px as f64 - 1.0;
                if inside {
                    points.push(BoardPoint {
                        column,
                        row,
                        on_board_mm: Point2::new(x, y),
                        in_image_px: Point2::new(noisy[0], noisy[1]),
                        sd_px: 1.0,
                    });
                }
            }
        }
        BoardView {
            name,
            points,
            blur_px: 1.0,
        }
    }

    fn size_px(&self) -> (usize, usize) {
        (self.lens.width_px, self.lens.height_px)
    }

    fn calibrated(&self, seed: u64) -> Result<Calibration, CalibrationError> {
        calibrate(
            &self.views(seed),
            self.size_px(),
            &CalibrateOptions::default(),
        )
    }
}

/// Rx(a) · Ry(b) · Rz(c).
fn rotation(a: f64, b: f64, c: f64) -> [[f64; 3]; 3] {
    let ((sa, ca), (sb, cb), (sc, cc)) = (a.sin_cos(), b.sin_cos(), c.sin_cos());
    [
        [cb * cc, -cb * sc, sb],
        [ca * sc + sa * sb * cc, ca * cc - sa * sb * sc, -sa * cb],
        [sa * sc - ca * sb * cc, sa * cc + ca * sb * sc, ca * cb],
    ]
}

/// Share of runs in which each parameter lies inside its k = 2 interval; what is known exactly
/// (a term left out that is truly zero) counts as inside.
fn coverage(filming: Filming) -> [f64; 9] {
    let inside: Vec<[bool; 9]> = (0..RUNS)
        .into_par_iter()
        .map(|seed| {
            let calibration = filming.calibrated(seed).unwrap();
            let found = calibration.camera.intrinsics();
            std::array::from_fn(|index| {
                let interval = 2.0 * calibration.covariance[(index, index)].sqrt();
                (found[index] - filming.lens.intrinsics[index]).abs() <= interval
            })
        })
        .collect();
    std::array::from_fn(|index| inside.iter().filter(|run| run[index]).count() as f64 / RUNS as f64)
}

fn assert_covered(filming: Filming) {
    let shares = coverage(filming);
    for (name, share) in PARAMETERS.iter().zip(shares) {
        println!("{name}: {:.1} % of {RUNS} runs inside k = 2", 100.0 * share);
    }
    for (name, share) in PARAMETERS.iter().zip(shares) {
        assert!(
            (0.90..=0.99).contains(&share),
            "{name}: {share} in {shares:?}"
        );
    }
}

#[test]
fn a_phones_parameters_lie_inside_their_intervals() {
    assert_covered(Filming::phone());
}

#[test]
fn a_webcams_parameters_lie_inside_their_intervals() {
    assert_covered(Filming {
        lens: Lens::webcam(),
        views: 12,
        noise_px: 0.2,
        ..Filming::phone()
    });
}

/// A bend that all views share is no noise. It must be found, and the intervals must hold all the
/// same.
#[test]
fn a_bent_board_is_noticed_and_the_intervals_hold() {
    let filming = Filming {
        bend_mm: 1.0,
        ..Filming::phone()
    };
    let calibration = filming.calibrated(1).unwrap();
    // The world bends the board by 1 mm at half its width of nine squares; crossings cover eight.
    let expected_mm = (8.0_f64 / 9.0).powi(2);
    assert!(
        (calibration.bend_mm.x - expected_mm).abs() < 0.1,
        "{}",
        calibration.bend_mm
    );
    let verdict = Verdict::of(&calibration);
    let bent = |objection: &Objection| matches!(objection, Objection::BentBoard { .. });
    assert!(verdict.objections.iter().any(bent), "{verdict:?}");
    assert_covered(filming);
}

/// Some of a view's points shifted by three pixels, and one view of another board altogether.
#[test]
fn bad_corners_and_a_bad_view_are_dropped_and_named() {
    let filming = Filming::phone();
    let mut views = filming.views(3);
    let shifted = (0..5).find(|&view| views[view].points.len() > 50).unwrap();
    for point in views[shifted].points.iter_mut().take(4) {
        point.in_image_px.x += 3.0;
    }
    for point in &mut views[5].points {
        point.on_board_mm.x += 0.05 * point.on_board_mm.y.powi(2) / SQUARE_MM;
    }
    let calibration = calibrate(&views, filming.size_px(), &CalibrateOptions::default()).unwrap();
    let dropped: Vec<&str> = calibration
        .dropped_views
        .iter()
        .map(|view| view.name.as_str())
        .collect();
    assert_eq!(dropped, ["view 5"]);
    assert!(matches!(
        calibration.dropped_views[0].reason,
        DroppedReason::FitsBadly { .. }
    ));
    let corners: Vec<(&str, usize, usize)> = calibration
        .views
        .iter()
        .flat_map(|view| {
            let name = view.name.as_str();
            view.dropped
                .iter()
                .map(move |corner| (name, corner.point.column, corner.point.row))
        })
        .collect();
    let expected: Vec<(&str, usize, usize)> = filming.views(3)[shifted]
        .points
        .iter()
        .take(4)
        .map(|point| (views[shifted].name.as_str(), point.column, point.row))
        .collect();
    assert_eq!(corners, expected);
    let sd = calibration.covariance[(0, 0)].sqrt();
    assert!((calibration.camera.fx - filming.lens.intrinsics[0]).abs() < 4.0 * sd);
}

#[test]
fn distortion_terms_are_added_only_while_they_pay() {
    let pinhole = Lens {
        intrinsics: [1500.0, 1500.0, 960.0, 540.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        ..Lens::phone()
    };
    let radial = Lens {
        intrinsics: [1500.0, 1500.0, 960.0, 540.0, 0.08, -0.1, 0.0, 0.0, 0.0],
        ..Lens::phone()
    };
    let strong_k3 = Lens {
        intrinsics: [1500.0, 1500.0, 960.0, 540.0, -0.2, 0.1, 0.001, 0.0, -0.2],
        ..Lens::phone()
    };
    let most_often = |lens: Lens| {
        let mut counts = std::collections::BTreeMap::new();
        for seed in 0..15 {
            let filming = Filming {
                lens,
                ..Filming::phone()
            };
            *counts
                .entry(filming.calibrated(seed).unwrap().terms)
                .or_insert(0) += 1;
        }
        counts
            .into_iter()
            .max_by_key(|&(_, count)| count)
            .unwrap()
            .0
    };
    assert_eq!(most_often(pinhole), DistortionTerms::None);
    assert_eq!(most_often(radial), DistortionTerms::Radial);
    assert_eq!(most_often(Lens::phone()), DistortionTerms::RadialTangential);
    assert_eq!(most_often(strong_k3), DistortionTerms::All);
}

#[test]
fn square_on_views_are_refused_with_the_tilt_that_was_seen() {
    let filming = Filming {
        tilt_deg: 1.0,
        ..Filming::phone()
    };
    let error = filming.calibrated(1).unwrap_err();
    assert!(
        matches!(error, CalibrationError::AllSquareOn { views: 15, .. }),
        "{error}"
    );
    assert!(error.mend().contains("tilt the board"));
}

#[test]
fn five_views_are_too_few() {
    let filming = Filming {
        views: 5,
        ..Filming::phone()
    };
    let error = filming.calibrated(1).unwrap_err();
    assert!(
        matches!(
            error,
            CalibrationError::FewViews {
                usable: 5,
                needed: 6
            }
        ),
        "{error}"
    );
}

/// More noise, fewer views: the verdict must fall, and name the cause.
#[test]
fn the_verdict_follows_what_the_views_can_tell() {
    let good = Verdict::of(&Filming::phone().calibrated(1).unwrap());
    let noisy = Filming {
        views: 7,
        noise_px: 2.0,
        tilt_deg: 20.0,
        ..Filming::phone()
    };
    let poor = Verdict::of(&noisy.calibrated(1).unwrap());
    assert!(good.grade < Grade::FilmAgain, "{good:?}");
    assert_eq!(poor.grade, Grade::FilmAgain, "{poor:?}");
    assert!(poor.u_of_30_deg > 5.0 * good.u_of_30_deg);
    assert!(matches!(
        poor.objections[0],
        Objection::AddsToAngle { .. } | Objection::LargeRms { .. }
    ));
}

/// A clip of many looks: at most forty views are chosen, none of them blurred, and they tell
/// hardly less than all together.
#[test]
fn the_views_chosen_from_a_clip_are_few_and_tell_most() {
    let filming = Filming {
        views: 160,
        ..Filming::phone()
    };
    let mut views = filming.views(5);
    let options = CalibrateOptions::default();
    for view in views.iter_mut().step_by(10) {
        view.blur_px = 3.0;
    }
    let candidates: Vec<Candidate> = views
        .iter()
        .map(|view| Candidate {
            view: view.clone(),
            time_s: None,
        })
        .collect();
    let chosen = choose_views(&candidates, filming.size_px(), &options).unwrap();
    assert_eq!(chosen.len(), 40);
    assert!(chosen.iter().all(|view| view.blur_px < 3.0));

    let sd_of_fx = |views: &[BoardView]| {
        let calibration = calibrate(views, filming.size_px(), &options).unwrap();
        calibration.covariance[(0, 0)].sqrt()
    };
    let sharp: Vec<BoardView> = views
        .iter()
        .filter(|view| view.blur_px < 3.0)
        .cloned()
        .collect();
    let (best, all) = (sd_of_fx(&chosen), sd_of_fx(&sharp));
    // Forty of 144 views taken at random are worth 40/144 of the information.
    let at_random = all * (sharp.len() as f64 / 40.0).sqrt();
    println!("sd of fx, px: {best:.3} chosen, {all:.3} from all, {at_random:.3} at random");
    assert!(best < 0.85 * at_random, "{best} against {at_random}");
}

/// Views in which the board moves are left out, as long as enough others are there.
#[test]
fn views_of_a_moving_board_are_left_out() {
    let filming = Filming {
        views: 20,
        noise_px: 0.0,
        ..Filming::phone()
    };
    let mut candidates = Vec::new();
    for (index, view) in filming.views(5).into_iter().enumerate() {
        // Each view is held for two looks, 0.2 s apart; in every fifth the board moves by 20 px.
        let mut later = view.clone();
        if index.is_multiple_of(5) {
            later
                .points
                .iter_mut()
                .for_each(|point| point.in_image_px.x += 20.0);
        }
        for (look, view) in [view, later].into_iter().enumerate() {
            let time_s = Some(2.0 * index as f64 + 0.2 * look as f64);
            candidates.push(Candidate { view, time_s });
        }
    }
    let options = CalibrateOptions::default();
    let chosen = choose_views(&candidates, filming.size_px(), &options).unwrap();
    assert!(chosen.len() >= 15);
    for view in &chosen {
        let index: usize = view.name["view ".len()..].parse().unwrap();
        assert!(!index.is_multiple_of(5), "{}", view.name);
    }
}
