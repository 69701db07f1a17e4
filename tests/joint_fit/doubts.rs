//! What the joint fit refuses or doubts, and that it says so.

use super::{brief, errors_of_films, measured};
use crate::support::aircraft::Aircraft;
use crate::support::filming::Filming;
use crate::support::random::Random;
use crate::support::world::{Film, observe};
use crate::support::{aircraft, filming, rigid};
use hingewise::motion::{MotionError, MotionWarning};

#[test]
fn measures_without_an_airframe_tag_and_says_so() {
    let mut built: Aircraft = aircraft::plain(2);
    built.airframe_tags.clear();
    let film = observe(&built, &brief(filming::tripod(), 2));
    let (motion, warnings) = measured(&film).unwrap();
    assert_eq!(warnings, vec![MotionWarning::NoAirframeTag]);
    assert!(!motion.camera_moved);
    errors_of_films([film]);
}

#[test]
fn tells_a_moving_camera_from_a_still_one() {
    for seed in 0..6 {
        for (hand, moved) in [(0.0, false), (0.1, true), (1.0, true)] {
            let filming = Filming {
                hand,
                ..filming::tripod()
            };
            let film = observe(&aircraft::random(seed), &brief(filming, seed));
            assert_eq!(
                measured(&film).unwrap().0.camera_moved,
                moved,
                "{seed} {hand}"
            );
        }
    }
}

fn short_travel(travel_deg: f64) -> Film {
    let mut random = Random::new(1);
    let mut built = aircraft::plain(1);
    let spec = aircraft::SurfaceSpec {
        travel_deg,
        ..aircraft::SurfaceSpec::plain(hingewise::model_file::Side::Left)
    };
    built.surfaces[0] = aircraft::surface(&spec, 0.0, &mut random);
    observe(&built, &brief(filming::tripod(), 1))
}

#[test]
fn refuses_travel_that_is_too_small_with_the_figure() {
    match measured(&short_travel(0.7)) {
        Err(MotionError::TravelTooSmall {
            surface,
            travel_deg,
            needed_deg,
        }) => {
            assert_eq!(surface, "left");
            assert!((1.0..2.0).contains(&travel_deg), "{travel_deg}");
            assert_eq!(needed_deg, 3.0);
        }
        other => panic!("{:?}", other.map(|_| ())),
    }
}

#[test]
fn doubts_a_hinge_that_the_clip_hardly_tells() {
    let (_, warnings) = measured(&short_travel(2.5)).unwrap();
    let doubted = |warning: &MotionWarning| {
        matches!(warning, MotionWarning::HingePoor { surface, scale_sd_pct, threshold_pct }
            if surface == "left" && scale_sd_pct > threshold_pct)
    };
    assert!(warnings.iter().any(doubted), "{warnings:?}");
}

#[test]
fn names_a_surface_that_was_never_seen() {
    let mut film = observe(&aircraft::plain(1), &brief(filming::tripod(), 1));
    for frame in &mut film.sightings.frames {
        frame.sightings.retain(|sighting| sighting.tag_id != 11);
    }
    match measured(&film) {
        Err(MotionError::SurfaceNeverSeen {
            surface, tag_id, ..
        }) => assert_eq!((surface.as_str(), tag_id), ("right", 11)),
        other => panic!("{:?}", other.map(|_| ())),
    }
    let told = measured(&film).unwrap_err().to_string();
    assert!(told.contains("was not found in any frame"), "{told}");
    film.sightings.frames.clear();
    assert!(matches!(
        measured(&film),
        Err(MotionError::SurfaceNeverSeen { .. })
    ));
}

#[test]
fn says_that_a_surface_was_never_seen_together_with_the_airframe() {
    let mut film = observe(&aircraft::plain(1), &brief(filming::handheld(), 1));
    let mut shown = 0;
    for frame in &mut film.sightings.frames {
        frame.sightings.retain(|sighting| match sighting.tag_id {
            0 => frame.index % 2 == 0,
            11 => frame.index % 2 == 1,
            _ => true,
        });
        shown += usize::from(frame.sighting(11).is_some());
    }
    let told = measured(&film).unwrap_err().to_string();
    let found = format!("was found in {shown} frames");
    for part in [
        "tag 11",
        "\"right\"",
        &found,
        "together with an airframe tag",
    ] {
        assert!(told.contains(part), "{part} is not in: {told}");
    }
}

/// A hand-held film with two airframe tags, 0 and 1.
fn with_two_airframe_tags() -> Film {
    let mut built = aircraft::plain(1);
    let mut second = built.airframe_tags[0].clone();
    second.id = 1;
    second.world_from_tag.translation[1] += 60.0;
    built.airframe_tags.push(second);
    observe(&built, &brief(filming::handheld(), 1))
}

/// The tag is seen anywhere about its place in these frames, and in no others.
fn jumping_about(film: &mut Film, tag_id: u32, frames: std::ops::Range<usize>) {
    let mut random = Random::new(1);
    for (index, frame) in film.sightings.frames.iter_mut().enumerate() {
        if !frames.contains(&index) {
            frame.sightings.retain(|sighting| sighting.tag_id != tag_id);
        }
        let tags = frame.sightings.iter_mut();
        for sighting in tags.filter(|sighting| sighting.tag_id == tag_id) {
            for corner in &mut sighting.corners_px {
                corner.x += 30.0 * random.normal();
                corner.y += 30.0 * random.normal();
            }
        }
    }
}

#[test]
fn names_a_surface_tag_that_jumps_about() {
    let mut film = with_two_airframe_tags();
    let frames = film.sightings.frames.len();
    jumping_about(&mut film, 11, 0..frames);
    match measured(&film) {
        Err(MotionError::TagFitsNowhere { tag_id, sighted }) => {
            assert_eq!((tag_id, sighted), (11, frames));
        }
        other => panic!("{:?}", other.map(|_| ())),
    }
}

#[test]
fn leaves_an_airframe_tag_out_that_jumps_about_and_says_so() {
    let mut without = with_two_airframe_tags();
    jumping_about(&mut without, 1, 0..0);
    let (expected, _) = measured(&without).unwrap();
    let frames = without.sightings.frames.len();
    for (seen_in, sighted) in [(0..frames, frames), (7..8, 1)] {
        let mut film = with_two_airframe_tags();
        jumping_about(&mut film, 1, seen_in);
        let (motion, warnings) = measured(&film).unwrap();
        let told = MotionWarning::AirframeTagLeftOut { tag_id: 1, sighted };
        assert_eq!(warnings, vec![told]);
        assert_eq!(motion.surfaces, expected.surfaces);
        assert_eq!(motion.frames, expected.frames);
    }
}

/// Every tag swings on its place: in each frame it is turned by another angle with this standard
/// deviation.
fn swinging(film: &mut Film, sd_deg: f64) {
    let mut random = Random::new(3);
    for frame in &mut film.sightings.frames {
        for sighting in &mut frame.sightings {
            let corners = &mut sighting.corners_px;
            let centre = corners
                .iter()
                .fold(nalgebra::Vector2::zeros(), |sum, corner| {
                    sum + corner.coords / 4.0
                });
            let turn = nalgebra::Rotation2::new((sd_deg * random.normal()).to_radians());
            for corner in corners {
                corner.coords = centre + turn * (corner.coords - centre);
            }
        }
    }
}

#[test]
fn doubts_tags_that_swing_and_refuses_them_if_they_swing_much() {
    for filming in [filming::tripod(), filming::handheld()] {
        let still = observe(&aircraft::plain(1), &brief(filming, 1));
        assert_eq!(measured(&still).unwrap().1, vec![]);
        let mut film = still.clone();
        // 2° move corners by 2.5 % of an edge; the camera's pose takes a part of it up.
        swinging(&mut film, 2.0);
        let (_, warnings) = measured(&film).unwrap();
        assert!(
            warnings.iter().any(|warning| matches!(
                warning,
                MotionWarning::FitLoose { rms_pct, .. } if (1.0..3.0).contains(rms_pct)
            )),
            "{warnings:?}"
        );
        let mut film = still;
        swinging(&mut film, 8.0);
        match measured(&film) {
            Err(MotionError::FitLoose { rms_pct, .. }) => assert!(rms_pct > 3.0, "{rms_pct}"),
            other => panic!("{:?}", other.map(|(_, warnings)| warnings)),
        }
    }
}

#[test]
fn refuses_the_only_airframe_tag_if_it_jumps_about() {
    let mut film = observe(&aircraft::plain(1), &brief(filming::handheld(), 1));
    let frames = film.sightings.frames.len();
    jumping_about(&mut film, 0, 0..frames);
    let refused = measured(&film);
    assert!(
        matches!(
            refused,
            Err(MotionError::FitLoose { .. } | MotionError::TagFitsNowhere { tag_id: 0, .. })
        ),
        "{:?}",
        refused.map(|(_, warnings)| warnings)
    );
}

#[test]
fn corners_that_are_no_numbers_are_an_error() {
    let mut film = observe(&aircraft::plain(1), &brief(filming::tripod(), 1));
    film.sightings.frames[7].sightings[1].corners_px[2].x = f64::NAN;
    assert!(matches!(
        measured(&film),
        Err(MotionError::NotFinite { frame: 7, .. })
    ));
}

#[test]
fn says_when_a_tag_sits_on_its_hinge() {
    let mut built = aircraft::plain(4);
    let surface = &mut built.surfaces[1];
    let along = rigid::times(surface.hinge.direction, 20.0);
    surface.tag.world_from_tag.translation =
        rigid::add(rigid::add(surface.hinge.point_mm, along), [0.0, 0.0, -3.0]);
    let film = observe(&built, &brief(filming::tripod(), 4));
    let (_, warnings) = measured(&film).unwrap();
    assert!(
        warnings.iter().any(
            |warning| matches!(warning, MotionWarning::TagOnHinge { surface, .. } if surface == "right")
        ),
        "{warnings:?}"
    );
    errors_of_films([film]);
}

#[test]
fn the_same_sightings_give_the_same_bits() {
    let film = observe(&aircraft::plain(6), &brief(filming::handheld(), 6));
    let (first, _) = measured(&film).unwrap();
    let one_thread = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .unwrap();
    let (again, _) = one_thread.install(|| measured(&film)).unwrap();
    assert_eq!(first, again);
}
