//! Synthetic films of four surfaces of which some rest or are not seen. The truth is the synthetic
//! world's (`tests/support`).

use hingewise::functions::{InClip, Wanted};
use hingewise::model_file::{Compare, Function, MatchGroup, MatchMotion, ModelFile, Side, Target};
use hingewise::motion::{FitOptions, LeftOut, Motion, MotionError, fit_what_moves};

use crate::support::aircraft::{self, Aircraft, SurfaceSpec};
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::random::Random;
use crate::support::world::{Film, observe};

const NAMES: [&str; 4] = [
    "left aileron",
    "right aileron",
    "left elevator",
    "right elevator",
];

/// Ailerons, and elevators below and between them; those of `still` do not move.
fn jet(seed: u64, still: &[usize]) -> Aircraft {
    let mut aircraft = aircraft::plain(seed);
    let mut random = Random::new(seed ^ 0x4E7);
    let elevators = [Side::Left, Side::Right].map(|side| {
        let plain = SurfaceSpec::plain(side);
        let spec = SurfaceSpec {
            tag_id: plain.tag_id + 2,
            hinge_at_mm: [0.5 * plain.hinge_at_mm[0], 75.0, 900.0],
            travel_deg: 20.0,
            ..plain
        };
        aircraft::surface(&spec, 1.0, &mut random)
    });
    aircraft.surfaces.extend(elevators);
    for (index, (surface, name)) in aircraft.surfaces.iter_mut().zip(NAMES).enumerate() {
        surface.name = name.into();
        if still.contains(&index) {
            surface.servo.stop_pct = 0.0;
        }
    }
    aircraft
}

fn film(seed: u64, still: &[usize], filming: Filming) -> Film {
    let filming = Filming {
        seed,
        frame_rate: 10.0,
        ..filming
    };
    let mut film = observe(&jet(seed, still), &filming);
    film.model.matches = vec![];
    film.model.functions = [("ailerons", 0), ("elevator", 2)]
        .map(|(name, first)| {
            function(
                &film.model,
                name,
                &NAMES[first..first + 2],
                MatchMotion::Same,
            )
        })
        .into();
    film
}

fn function(model: &ModelFile, name: &str, surfaces: &[&str], motion: MatchMotion) -> Function {
    Function {
        name: name.into(),
        surfaces: surfaces.iter().map(|name| (*name).into()).collect(),
        matches: vec![MatchGroup {
            reference: surfaces[0].into(),
            followers: vec![surfaces[1].into()],
            motion,
            compare: Compare::UpWithUp,
            tolerance_deg: 0.3,
            target: Target::Reference,
            down_to_up: None,
        }],
        stations: model.stations.clone(),
    }
}

fn fitted(film: &Film) -> Result<(Motion, Vec<LeftOut>), MotionError> {
    let options = FitOptions::default();
    fit_what_moves(
        &film.sightings,
        &film.model,
        &film.profile,
        &options,
        &mut vec![],
    )
}

fn names(motion: &Motion) -> Vec<&str> {
    motion
        .surfaces
        .iter()
        .map(|surface| surface.name.as_str())
        .collect()
}

fn codes(left_out: &[LeftOut]) -> Vec<(&str, &str)> {
    left_out
        .iter()
        .map(|one| (one.surface.as_str(), one.code()))
        .collect()
}

fn in_clip(film: &Film, motion: &Motion, left_out: &[LeftOut]) -> InClip {
    let wanted = Wanted::of(&film.model, &[]).unwrap();
    wanted
        .in_clip(&film.model, motion, left_out, &mut vec![])
        .unwrap()
}

#[test]
fn surfaces_at_rest_are_left_out_on_a_tripod_and_in_the_hand() {
    for seed in 1..=12 {
        for filming in [filming::tripod(), filming::handheld()] {
            let hand = filming.hand;
            let film = film(seed, &[2, 3], filming);
            let (motion, left_out) = fitted(&film).unwrap();
            assert_eq!(names(&motion), NAMES[..2], "seed {seed}, hand {hand}");
            for (one, name) in left_out.iter().zip(&NAMES[2..]) {
                println!("seed {seed}, hand {hand}: {}", one.reason);
                assert_eq!(one.surface, *name);
                // Before a still camera the picture shows it. In the hand a tag at rest tells no hinge, and
                // which of these the fit notices first is chance.
                let codes: &[&str] = match hand > 0.0 {
                    false => &["not-moved"],
                    true => &["not-moved", "no-hinge", "hinge-poor"],
                };
                assert!(codes.contains(&one.code()), "{}", one.reason);
            }
            // What is left is fitted as if nothing else were declared.
            let mut alone = film.clone();
            alone.model.surfaces.truncate(2);
            assert_eq!(motion, fitted(&alone).unwrap().0);
            let shown = in_clip(&film, &motion, &left_out);
            assert_eq!(shown.functions.len(), 1);
            assert_eq!(shown.functions[0].name.as_deref(), Some("ailerons"));
        }
    }
}

#[test]
fn no_surface_that_moves_is_left_out() {
    for seed in 1..=12 {
        for filming in [filming::tripod(), filming::handheld()] {
            let (motion, left_out) = fitted(&film(seed, &[], filming)).unwrap();
            assert_eq!(names(&motion), NAMES);
            assert_eq!(left_out, []);
        }
    }
}

#[test]
fn tags_that_are_not_seen_are_left_out_with_their_reason() {
    let mut film = film(3, &[], filming::handheld());
    for (index, frame) in film.sightings.frames.iter_mut().enumerate() {
        frame.sightings.retain(|seen| match seen.tag_id {
            12 => false,
            13 => index < 2,
            _ => true,
        });
    }
    let (motion, left_out) = fitted(&film).unwrap();
    assert_eq!(names(&motion), NAMES[..2]);
    let expected = [(NAMES[2], "not-filmed"), (NAMES[3], "too-few-frames")];
    assert_eq!(codes(&left_out), expected);
    let shown = in_clip(&film, &motion, &left_out);
    assert_eq!(shown.functions.len(), 1);
    let missing: Vec<&str> = shown
        .missing
        .iter()
        .map(|one| one.surface.as_str())
        .collect();
    assert_eq!(missing, NAMES[2..]);
}

/// A film of the jet with tags of 9 mm, some 16 px wide, whose corners scatter by 0.1 px.
fn film_of_small_tags(seed: u64, still: &[usize], filming: Filming) -> Film {
    let mut aircraft = jet(seed, still);
    for surface in &mut aircraft.surfaces {
        surface.tag.edge_mm = 9.0;
    }
    let filming = Filming {
        seed,
        frame_rate: 10.0,
        noise: CornerNoise::white(0.1),
        ..filming
    };
    observe(&aircraft, &filming)
}

#[test]
fn small_tags_at_rest_are_left_out_in_spite_of_their_noise() {
    // In the hand the deflection of such a tag takes up what the airframe tag leaves open of the
    // camera's pose.
    for seed in 1..=12 {
        for filming in [filming::tripod(), filming::handheld()] {
            let hand = filming.hand;
            let film = film_of_small_tags(seed, &[2, 3], filming);
            let (motion, left_out) = fitted(&film).unwrap();
            for one in &left_out {
                println!("seed {seed}, hand {hand}: {}", one.reason);
            }
            assert_eq!(names(&motion), NAMES[..2], "seed {seed}, hand {hand}");
        }
    }
}

#[test]
fn small_tags_that_move_are_not_taken_for_resting_ones() {
    for seed in 1..=12 {
        for filming in [filming::tripod(), filming::handheld()] {
            let hand = filming.hand;
            let (motion, left_out) = fitted(&film_of_small_tags(seed, &[], filming)).unwrap();
            let resting = left_out.iter().filter(|one| one.code() == "not-moved");
            let resting: Vec<String> = resting.map(|one| one.reason.to_string()).collect();
            assert!(resting.is_empty(), "seed {seed}, hand {hand}: {resting:?}");
            assert!(names(&motion).len() >= 2, "seed {seed}, hand {hand}");
        }
    }
}

#[test]
fn a_clip_in_which_nothing_moves_is_refused_with_all_reasons() {
    let error = fitted(&film(5, &[0, 1, 2, 3], filming::tripod())).unwrap_err();
    let MotionError::SeveralLeftOut { left_out } = &error else {
        panic!("{error}")
    };
    let surfaces: Vec<&str> = left_out.iter().map(|one| one.surface.as_str()).collect();
    assert_eq!(surfaces, NAMES);
    let words = error.to_string();
    assert!(NAMES.iter().all(|name| words.contains(name)), "{words}");
}

#[test]
fn the_functions_of_a_clip_have_the_motion_of_the_whole_fit() {
    let film = film(2, &[], filming::handheld());
    let (motion, left_out) = fitted(&film).unwrap();
    let shown = in_clip(&film, &motion, &left_out);
    assert_eq!(shown.functions.len(), 2);
    let elevator = &shown.functions[1];
    assert_eq!(elevator.surfaces, [2, 3]);
    let own = motion.of_surfaces(&elevator.surfaces);
    assert_eq!(names(&own), NAMES[2..]);
    // Sums over the same frames have the same values and the same covariance.
    let sum = |surface: usize| {
        (20..40)
            .map(|frame| (frame, surface, 0.05))
            .collect::<Vec<_>>()
    };
    let whole = motion.weighted_sums(&[sum(2), sum(3)]);
    assert_eq!(own.weighted_sums(&[sum(0), sum(1)]), whole);
}

#[test]
fn a_v_tails_function_is_told_by_its_motion() {
    for opposite in [false, true] {
        let mut aircraft = aircraft::plain(4);
        if opposite {
            aircraft.surfaces[1].servo.deg_at_100 *= -1.0;
        }
        let mut film = observe(&aircraft, &filming::tripod());
        let pair = ["left", "right"];
        film.model.functions = vec![
            function(&film.model, "elevator", &pair, MatchMotion::Same),
            function(&film.model, "rudder", &pair, MatchMotion::Opposite),
        ];
        let (motion, left_out) = fitted(&film).unwrap();
        let shown = in_clip(&film, &motion, &left_out);
        let expected = if opposite { "rudder" } else { "elevator" };
        assert_eq!(shown.functions.len(), 1);
        assert_eq!(shown.functions[0].name.as_deref(), Some(expected));
    }
}
