//! Which views of a synthetic board are used, and what the verdict says of how it was filmed.

#![allow(clippy::unwrap_used)]

use crate::support::board_filming::Filming;
use crate::support::random::Random;
use hingewise::camera::calibration::{
    BoardView, CalibrateOptions, Candidate, DistortionTerms, Grade, Objection, Spare, Verdict,
    calibrate, calibrate_candidates, choose_views,
};

/// Time between two looks in which nothing moves too fast, whatever the distance.
const STILL_S: f64 = 1000.0;

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
        .enumerate()
        .map(|(index, view)| Candidate {
            view: view.clone(),
            time_s: Some(STILL_S * index as f64),
        })
        .collect();
    let chosen = choose_views(&candidates, filming.size_px(), &options).unwrap();
    assert_eq!(chosen.spared(Spare::Blurred), 16);
    assert_eq!(chosen.spared(Spare::NotNeeded), 104);
    let chosen = chosen.views;
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
    assert_eq!(chosen.spared(Spare::Moving), 8);
    assert!(chosen.views.len() >= 15);
    for view in &chosen.views {
        let index: usize = view.name["view ".len()..].parse().unwrap();
        assert!(!index.is_multiple_of(5), "{}", view.name);
    }
}

/// A board held at six places for ten looks each: the looks are used, and count as six.
#[test]
fn looks_at_one_place_count_as_one_view_and_none_is_spared() {
    let filming = Filming {
        views: 6,
        noise_px: 0.3,
        ..Filming::phone()
    };
    let mut random = Random::new(9);
    let mut candidates = Vec::new();
    for (place, held) in filming.views(4).into_iter().enumerate() {
        for look in 0..10 {
            let mut view = held.clone();
            view.name = format!("place {place}, look {look}");
            for point in &mut view.points {
                point.in_image_px.x += 0.1 * random.normal();
            }
            let time_s = Some(20.0 * place as f64 + 0.2 * look as f64);
            candidates.push(Candidate { view, time_s });
        }
    }
    let options = CalibrateOptions::default();
    let (calibration, chosen) =
        calibrate_candidates(&candidates, filming.size_px(), &options).unwrap();
    assert!(chosen.spare.is_empty(), "{:?}", chosen.spare);
    assert_eq!((calibration.views.len(), calibration.places), (60, 6));
    let verdict = Verdict::of(&calibration);
    let few = Objection::FewPlaces {
        places: 6,
        views: 60,
    };
    assert!(verdict.objections.contains(&few), "{verdict:?}");
    assert!(few.mend().contains("ten to twenty"));
    // Errors are shared within a place: ten looks at each must not promise more than one look.
    let one_look: Vec<BoardView> = filming.views(4);
    let once = calibrate(&one_look, filming.size_px(), &options).unwrap();
    let (sd, of_one) = (
        calibration.covariance[(0, 0)].sqrt(),
        once.covariance[(0, 0)].sqrt(),
    );
    println!("sd of fx: {sd:.2} px from ten looks a place, {of_one:.2} px from one");
    assert!(sd > 0.5 * of_one, "{sd} against {of_one}");
}

/// Stills are all used, the less sharp ones too.
#[test]
fn stills_are_all_used() {
    let filming = Filming {
        views: 50,
        ..Filming::phone()
    };
    let mut views = filming.views(6);
    views[3].blur_px = 2.5;
    let candidates: Vec<Candidate> = views
        .into_iter()
        .map(|view| Candidate { view, time_s: None })
        .collect();
    let options = CalibrateOptions::default();
    let (calibration, chosen) =
        calibrate_candidates(&candidates, filming.size_px(), &options).unwrap();
    assert!(chosen.spare.is_empty());
    assert_eq!(calibration.views.len(), 50);
}

/// Seen only in the middle third, and hardly tilted: both are named, first of all and in the
/// headline, with what helps.
#[test]
fn a_board_in_the_middle_third_and_hardly_tilted_is_named() {
    let filming = Filming {
        tilt_deg: 14.0,
        ..Filming::phone()
    };
    let mut random = Random::new(11);
    let views: Vec<BoardView> = (0..15)
        .map(|index| {
            let name = format!("view {index}");
            filming.view_at(&mut random, name, (3.6, 4.2), (0.48, 0.52))
        })
        .collect();
    let width_px = filming.lens.width_px as f64;
    for point in views.iter().flat_map(|view| &view.points) {
        assert!((point.in_image_px.x / width_px - 0.5).abs() < 1.0 / 6.0);
    }
    let calibration = calibrate(&views, filming.size_px(), &CalibrateOptions::default()).unwrap();
    let verdict = Verdict::of(&calibration);
    println!("{}", verdict.headline());
    assert_eq!(verdict.grade, Grade::FilmAgain);
    assert!(matches!(
        verdict.objections[0],
        Objection::MiddleOnly { .. }
    ));
    assert!(verdict.objections[0].mend().contains("all four edges"));
    let tilt = verdict
        .objections
        .iter()
        .find(|objection| matches!(objection, Objection::LittleTilt { .. }));
    assert!(tilt.unwrap().mend().contains("tilt the board"));
    let headline = verdict.headline();
    assert!(headline.contains("only in the middle of the picture and hardly tilted"));
}

/// Fifteen looks at five places are no fifteen views.
#[test]
fn five_places_are_too_few_however_many_looks() {
    let filming = Filming {
        views: 5,
        ..Filming::phone()
    };
    let views: Vec<BoardView> = (0..3).flat_map(|_| filming.views(1)).collect();
    let error = calibrate(&views, filming.size_px(), &CalibrateOptions::default()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the 15 views show the board in only 5 different places, at least 6 are needed"
    );
    assert!(error.mend().contains("ten to twenty places"));
}

/// Terms that are asked for are estimated all the same, and the verdict objects to the few places.
#[test]
fn asked_for_terms_are_estimated_from_few_places() {
    let filming = Filming {
        views: 5,
        ..Filming::phone()
    };
    let views: Vec<BoardView> = (0..3).flat_map(|_| filming.views(1)).collect();
    let options = CalibrateOptions {
        terms: Some(DistortionTerms::Radial),
        ..CalibrateOptions::default()
    };
    let calibration = calibrate(&views, filming.size_px(), &options).unwrap();
    let few = Objection::FewPlaces {
        places: 5,
        views: 15,
    };
    let verdict = Verdict::of(&calibration);
    assert!(verdict.objections.contains(&few), "{verdict:?}");
    assert!(verdict.grade > Grade::Good);
}
