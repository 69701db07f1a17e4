//! What happens during a session: covered tags, a bumped camera, a changed zoom, exchanged tags.
//!
//! The sightings of the sample clip are changed as the picture would: a turn of the camera and a crop move every
//! corner by plain geometry (`support::lens` projects, and shares no code with the crate).

use std::f64::consts::TAU;

use hingewise::live::{LiveState, Missing, Unseen};
use hingewise::tags::{DropReason, Dropped, SightedFrame};
use nalgebra::Point2;

use super::film::TRIPOD;
use crate::support::lens::Lens;
use crate::support::rigid::{apply, turn_by_vector};

/// When the fault begins in the second pass, s, and the time in which it has to be named.
const BEGINS_S: f64 = 6.0;
const NAMED_WITHIN_S: f64 = 1.0;

/// The clip once more after learning, changed from [`BEGINS_S`] on; every state with its time in that pass.
fn changed(change: impl Fn(&mut SightedFrame)) -> Vec<(f64, LiveState)> {
    let mut session = TRIPOD.learned();
    let from_s = TRIPOD.again_s();
    let mut states = vec![];
    let changed_later = |frame: &mut SightedFrame| {
        if frame.time_s >= BEGINS_S {
            change(frame);
        }
    };
    TRIPOD.play(&mut session, from_s, changed_later, |_, state| {
        states.push((state.time_s.unwrap() - from_s, state.clone()));
    });
    states
}

/// When a fault is named first, s after its beginning.
fn named_after_s(states: &[(f64, LiveState)], is_it: impl Fn(&Missing) -> bool) -> Option<f64> {
    let named = states
        .iter()
        .find(|(_, state)| state.missing.iter().any(&is_it));
    named.map(|(time_s, _)| time_s - BEGINS_S)
}

fn moved(frame: &mut SightedFrame, place: impl Fn([f64; 2]) -> [f64; 2]) {
    for corner in frame.sightings.iter_mut().flat_map(|it| &mut it.corners_px) {
        let [x, y] = place([corner.x, corner.y]);
        *corner = Point2::new(x, y);
    }
    for landmark in &mut frame.landmarks {
        let [x, y] = place([landmark.place_px.x, landmark.place_px.y].map(f64::from));
        landmark.place_px = Point2::new(x as f32, y as f32);
    }
}

/// No figure of a surface before the fault ends.
fn without_figures(states: &[(f64, LiveState)], until_s: f64) -> bool {
    let mut spoiled = states
        .iter()
        .filter(|(time_s, _)| (BEGINS_S..until_s).contains(time_s));
    spoiled.all(|(_, state)| state.surfaces.iter().all(|it| it.deflection_deg.is_none()))
}

#[test]
fn a_changed_zoom_is_named_within_a_second_and_no_figure_is_shown() {
    for factor in [0.9, 1.02, 1.1, 1.5] {
        let [.., cx, cy] = [
            0.0,
            0.0,
            Lens::phone().intrinsics[2],
            Lens::phone().intrinsics[3],
        ];
        let states = changed(|frame| {
            moved(frame, |[x, y]| {
                [cx + factor * (x - cx), cy + factor * (y - cy)]
            });
        });
        let named = named_after_s(
            &states,
            |it| matches!(it, Missing::ZoomChanged { factor: found } if (found - factor).abs() < 0.01),
        );
        println!("zoom {factor}: named after {named:?} s");
        assert!(named.unwrap() <= NAMED_WITHIN_S, "{factor}");
        assert!(without_figures(&states, f64::MAX), "{factor}");
    }
}

#[test]
fn a_bumped_camera_is_named_within_a_second_and_measured_from_its_new_place_later() {
    let lens = Lens::phone();
    for turn_deg in [0.02, 0.2, 2.0] {
        let turn = turn_by_vector([0.3, 0.9, 0.2].map(|part| part * turn_deg * TAU / 360.0));
        let states = changed(|frame| {
            moved(frame, |at| {
                let [x, y] = lens.normalised(at);
                lens.project(apply(&turn, [x, y, 1.0]))
            });
        });
        let named = named_after_s(&states, |it| *it == Missing::CameraBumped).unwrap();
        let again = states.iter().find(|(time_s, state)| {
            *time_s > BEGINS_S && state.surfaces.iter().all(|it| it.deflection_deg.is_some())
        });
        let again_s = again.map(|(time_s, _)| time_s - BEGINS_S);
        println!("turned {turn_deg}°: named after {named:.2} s, figures again after {again_s:?} s");
        assert!(named <= NAMED_WITHIN_S, "{turn_deg}");
        assert!(without_figures(&states, BEGINS_S + named), "{turn_deg}");
        assert!(again_s.unwrap() < 5.0, "{turn_deg}");
        assert!(again_s.unwrap() >= named, "{turn_deg}");
    }
}

#[test]
fn exchanged_tags_are_named_within_a_second_and_have_no_figure() {
    let states = changed(|frame| {
        for sighting in &mut frame.sightings {
            sighting.tag_id = match sighting.tag_id {
                10 => 11,
                11 => 10,
                other => other,
            };
        }
        frame.sightings.sort_by_key(|sighting| sighting.tag_id);
    });
    for wanted in [10, 11] {
        let named = named_after_s(
            &states,
            |it| matches!(it, Missing::TagExchanged { tag_id, .. } if *tag_id == wanted),
        );
        println!("tag {wanted}: named after {named:?} s");
        assert!(named.unwrap() <= NAMED_WITHIN_S);
    }
    assert!(without_figures(&states, f64::MAX));
}

#[test]
fn a_tag_that_was_stuck_elsewhere_costs_its_own_surface_only() {
    let states = changed(|frame| {
        for sighting in frame.sightings.iter_mut().filter(|it| it.tag_id == 10) {
            sighting.corners_px = sighting
                .corners_px
                .map(|at| at + nalgebra::Vector2::new(9.0, 5.0));
        }
    });
    let named = named_after_s(&states, |it| {
        matches!(it, Missing::TagExchanged { tag_id: 10, .. })
    });
    assert!(named.unwrap() <= NAMED_WITHIN_S);
    let others = named_after_s(&states, |it| {
        matches!(it, Missing::TagExchanged { tag_id: 11, .. })
    });
    assert_eq!(others, None);
    let mut others_missing = 0;
    for (time_s, state) in states.iter().filter(|(time_s, _)| *time_s >= BEGINS_S) {
        assert!(state.surfaces[0].deflection_deg.is_none(), "{time_s}");
        others_missing += usize::from(state.surfaces[1].deflection_deg.is_none());
    }
    assert!(others_missing <= 3, "{others_missing}");
}

#[test]
fn a_covered_tag_costs_the_time_for_which_it_is_covered_and_says_why() {
    const COVERED_S: f64 = 2.0;
    let states = changed(|frame| {
        if frame.time_s < BEGINS_S + COVERED_S {
            frame.sightings.retain(|sighting| sighting.tag_id != 11);
            frame.dropped.push(Dropped {
                tag_id: 11,
                reason: DropReason::PartlyHidden,
            });
        }
    });
    // Before they know their hinges no surface has figures; in the second pass all do.
    let mut others_missing = 0;
    for (time_s, state) in &states {
        let covered = (BEGINS_S..BEGINS_S + COVERED_S).contains(time_s);
        let [left, right] = &state.surfaces[..] else {
            panic!("two surfaces");
        };
        others_missing += usize::from(left.deflection_deg.is_none());
        if covered {
            assert_eq!(right.deflection_deg, None, "{time_s}");
            assert_eq!(right.tag.unseen, Some(Unseen::PartlyHidden), "{time_s}");
        } else {
            others_missing += usize::from(right.deflection_deg.is_none());
        }
    }
    println!("{others_missing} other figures missing");
    assert!(others_missing <= 3, "{others_missing}");
}

#[test]
fn frames_that_come_late_or_have_no_time_are_refused_and_leave_the_session_as_it_was() {
    let mut session = TRIPOD.session();
    let frame = TRIPOD.sightings.frames[0].clone();
    let state = session.sighted(frame.clone()).unwrap();
    for time_s in [frame.time_s, frame.time_s - 1.0, f64::NAN, f64::INFINITY] {
        let late = SightedFrame {
            time_s,
            ..frame.clone()
        };
        assert!(session.sighted(late).is_err(), "{time_s}");
    }
    assert_eq!(session.state(), state);
}
