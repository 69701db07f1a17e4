//! What is kept and what is not, and why.

use hingewise::camera::calibration::NoView;
use hingewise::camera::guidance::{
    Guidance, GuidanceError, NotKept, Outcome, Part, Phase, Standing,
};
use hingewise::clip::GreyImage;
use nalgebra::{Isometry3, Translation3, Vector3};

use super::person::{Person, kept, why_not};
use crate::support::lens::Lens;

fn begun() -> (Person, Guidance) {
    let person = Person::new(Lens::phone(), 0.1, 7);
    let mut guidance = Guidance::new(Person::board()).unwrap();
    let nothing = NoView::NoChessboard;
    guidance.see(0.0, person.size_px(), Err(nothing)).unwrap();
    (person, guidance)
}

/// The board square-on, its first corner up and left of the middle.
fn pose(aside_mm: f64) -> Isometry3<f64> {
    Isometry3::from_parts(
        Translation3::from(Vector3::new(aside_mm - 120.0, -84.0, 400.0)),
        nalgebra::UnitQuaternion::from_scaled_axis(Vector3::new(0.0, 0.4, 0.0)),
    )
}

fn see(person: &mut Person, guidance: &mut Guidance, time_s: f64, aside_mm: f64) -> Outcome {
    let sighting = person.sighting(&pose(aside_mm));
    let look = guidance
        .see(time_s, person.size_px(), Ok(sighting))
        .unwrap();
    assert!(!look.crossings_px.is_empty());
    look.outcome
}

#[test]
fn a_board_is_kept_when_it_has_been_still_for_long_enough_and_only_once() {
    let (mut person, mut guidance) = begun();
    // 30 mm/s at 400 mm is 113 px/s.
    for look in 0..10 {
        let outcome = see(
            &mut person,
            &mut guidance,
            0.1 * f64::from(look),
            3.0 * f64::from(look),
        );
        assert_eq!(why_not(&outcome), Some(NotKept::Moving), "{outcome:?}");
    }
    let mut times_s = Vec::new();
    for look in 10..30 {
        let time_s = 0.1 * f64::from(look);
        if kept(&see(&mut person, &mut guidance, time_s, 27.0)).is_some() {
            times_s.push(time_s);
        }
    }
    // It came to rest at 0.9 s.
    assert_eq!(times_s.len(), 1, "{times_s:?}");
    assert!((1.25..1.45).contains(&times_s[0]), "{times_s:?}");
    let last = see(&mut person, &mut guidance, 3.0, 27.0);
    assert_eq!(why_not(&last), Some(NotKept::Alike));
    assert_eq!(guidance.standing().fit_views, 1);
}

#[test]
fn looks_far_apart_or_back_in_time_are_no_rest() {
    let (mut person, mut guidance) = begun();
    for time_s in [0.0, 2.0, 4.0, 3.9, 3.0, f64::NAN, 1.0, f64::INFINITY, 0.5] {
        let outcome = see(&mut person, &mut guidance, time_s, 0.0);
        assert_eq!(kept(&outcome), None, "{time_s}: {outcome:?}");
    }
}

#[test]
fn a_view_that_was_taken_back_is_not_kept_again_before_the_board_has_moved() {
    let (mut person, mut guidance) = begun();
    let mut time_s = 0.0;
    let mut hold = |person: &mut Person, guidance: &mut Guidance, aside_mm: f64| {
        let mut last = None;
        for _ in 0..8 {
            time_s += 0.1;
            let outcome = see(person, guidance, time_s, aside_mm);
            last = kept(&outcome).cloned().or(last);
        }
        last.map(|kept| kept.number)
    };
    assert_eq!(hold(&mut person, &mut guidance, 0.0), Some(1));
    assert_eq!(hold(&mut person, &mut guidance, 40.0), Some(2));
    let back = guidance.undo().unwrap();
    assert_eq!((back.number, back.part), (2, Part::Fit));
    assert_eq!(hold(&mut person, &mut guidance, 40.0), None);
    assert_eq!(hold(&mut person, &mut guidance, -40.0), Some(2));
    // Now it is a place like any other.
    assert_eq!(hold(&mut person, &mut guidance, 40.0), Some(3));
    assert_eq!(guidance.standing().fit_views, 3);
    for number in [3, 2, 1] {
        assert_eq!(guidance.undo().unwrap().number, number);
    }
    assert_eq!(guidance.undo(), None);
}

#[test]
fn a_blurred_view_is_not_kept() {
    let (mut person, mut guidance) = begun();
    let mut outcomes = Vec::new();
    for look in 0..8 {
        let mut sighting = person.sighting(&pose(0.0));
        sighting.view.blur_px = 4.0;
        let time_s = 0.1 * f64::from(look);
        let look = guidance
            .see(time_s, person.size_px(), Ok(sighting))
            .unwrap();
        outcomes.push(why_not(&look.outcome));
    }
    assert_eq!(
        outcomes.last().unwrap(),
        &Some(NotKept::Blurred),
        "{outcomes:?}"
    );
    assert_eq!(guidance.standing().fit_views, 0);
}

#[test]
fn pictures_that_cannot_be_used_are_refused_in_words() {
    let (mut person, mut guidance) = begun();
    let damaged = GreyImage {
        width_px: 1920,
        height_px: 1080,
        pixels: vec![0; 99].into(),
    };
    let error = guidance.look(0.0, &damaged).unwrap_err();
    assert!(matches!(error, GuidanceError::Damaged { values: 99, .. }));
    let tiny = GreyImage {
        width_px: 0,
        height_px: 0,
        pixels: Vec::new().into(),
    };
    assert!(guidance.look(0.0, &tiny).is_err());
    for look in 0..8 {
        see(&mut person, &mut guidance, 0.1 * f64::from(look), 0.0);
    }
    assert_eq!(guidance.standing().fit_views, 1);
    let sighting = person.sighting(&pose(0.0));
    let error = guidance.see(1.0, (1280, 720), Ok(sighting)).unwrap_err();
    assert!(matches!(error, GuidanceError::OtherSize { .. }), "{error}");
    assert!(error.mend().contains("one mode"));
}

/// Follows the outlines to the end; the number of kept views.
fn followed(person: &mut Person, guidance: &mut Guidance, most: usize) -> Standing {
    for _ in 0..most {
        if guidance.standing().phase == Phase::Done {
            break;
        }
        person.follow(guidance);
    }
    guidance.standing()
}

#[test]
fn whoever_follows_the_outlines_ends_with_a_checked_profile() {
    let (mut person, mut guidance) = begun();
    assert!(guidance.standing().ask.is_some());
    let standing = followed(&mut person, &mut guidance, 40);
    println!("{standing:?}");
    assert_eq!(standing.phase, Phase::Done);
    assert_eq!(standing.check_views, 5);
    assert!(standing.fit_views <= 20, "{}", standing.fit_views);
    assert!(standing.missing.is_empty(), "{:?}", standing.missing);
    assert_eq!(standing.ask, None);
    assert_eq!(standing.grade.unwrap().words(), "good");
    let check = standing.check.unwrap();
    assert!(check.agrees(), "{}", check.words());
    let profile = guidance.profile("").unwrap();
    assert_eq!(profile.views, Some(standing.fit_views));
    let coverage = standing.coverage.unwrap();
    assert_eq!((coverage.columns, coverage.rows), (16, 9));
    let sum: u32 = coverage.counts.iter().sum();
    assert!(sum as usize > 40 * standing.fit_views, "{sum}");
    // One more view is not kept.
    let outcome = person.hold_anywhere(&mut guidance);
    assert_eq!(why_not(&outcome), Some(NotKept::Done));
    // Taking one of the check back opens it again.
    assert_eq!(guidance.undo().unwrap().part, Part::Check);
    while let Some(work) = guidance.work() {
        guidance.settle(work.run());
    }
    assert_eq!(guidance.standing().phase, Phase::Check);
}

/// The camera zooms by 8 % before the check: the check must notice what the fit cannot. (Half a percent
/// changes a 30° deflection by 0.004° alone, which the profile allows for.)
#[test]
fn a_camera_that_changes_before_the_check_is_noticed() {
    let (mut person, mut guidance) = begun();
    while guidance.standing().phase == Phase::Fit {
        person.follow(&mut guidance);
    }
    person.lens.intrinsics[0] *= 1.08;
    person.lens.intrinsics[1] *= 1.08;
    while guidance.standing().phase == Phase::Check {
        person.follow(&mut guidance);
    }
    let standing = guidance.standing();
    let check = standing.check.unwrap();
    println!("{}", check.words());
    assert!(!check.agrees());
    assert_eq!(standing.phase, Phase::Fit);
    let words = standing.missing.join(" ");
    assert!(words.contains("does not confirm"), "{words}");
}
