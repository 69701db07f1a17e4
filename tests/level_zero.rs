//! Neutral against a level position, on synthetic films: a second film in which the surfaces rest
//! turned about their hinges, or a span of the same film.
//!
//! The truth is the synthetic world's (`tests/support`), which shares no code with the program.

#![allow(clippy::unwrap_used)]

use hingewise::measured::Measured;
use hingewise::model_file::StationSource;
use hingewise::motion::{FitOptions, fit};
use hingewise::registration::{NotLaid, Registration, register_resting};
use hingewise::response::{LevelZero, respond};
use hingewise::stations::{HoldOptions, find_holds};
use rayon::prelude::*;

use crate::neutral_drift::{at_neutral, elsewhere, film, shifted, stuck_anew};
use crate::support::aircraft::{self, Aircraft};
use crate::support::filming::{self, Filming, StickPlan};
use crate::support::judge::rms;
use crate::support::random::Random;
use crate::support::world::Film;

/// Invented aircraft for each way of filming.
const AIRCRAFT: u64 = 60;

/// A short film in which nothing moves but the camera.
fn resting(kind: &Filming) -> Filming {
    Filming {
        stick: StickPlan::Path {
            points: vec![(0.0, 0.0), (2.0, 0.0)],
        },
        ..kind.clone()
    }
}

fn laid(main: &Film, level: &Film) -> Result<Registration, NotLaid> {
    let lens = &level.profile.camera;
    register_resting(
        &at_neutral(main),
        &level.sightings,
        lens,
        &FitOptions::default(),
    )
}

/// The true turn of a surface from the neutral of the main film to where it rests in the other.
fn true_turn_deg(main: &Film, level: &Film, surface: usize, planted_deg: f64) -> f64 {
    let all: Vec<usize> = (0..level.truth.frames.len()).collect();
    let neutral = main.truth.mean_deg(surface, &main.truth.neutral_frames());
    level.truth.mean_deg(surface, &all) + planted_deg - neutral
}

/// Error and standard deviation of left, right, and right less left, degrees.
struct Outcome {
    error_deg: [f64; 3],
    sd_deg: [f64; 3],
    misfit: f64,
}

fn outcome(built: &Aircraft, kind: &Filming, moves: bool, seed: u64) -> Outcome {
    let mut random = Random::new(seed ^ 0x1E7E);
    let planted_deg = [random.between(-4.0, 4.0), random.between(-4.0, 4.0)];
    let main = film(built, kind, seed);
    let mut held = shifted(built, planted_deg);
    if moves {
        let turn = std::array::from_fn(|_| random.between(-0.05, 0.05));
        let shift_mm = std::array::from_fn(|_| random.between(-20.0, 20.0));
        held = elsewhere(&held, turn, shift_mm);
    }
    let level = film(&held, &resting(kind), seed + 1000);
    let found = laid(&main, &level).unwrap();
    let zero = LevelZero::of_clip("level.mp4".into(), &found);
    let turn = |surface| true_turn_deg(&main, &level, surface, planted_deg[surface]);
    let truth = [-turn(0), -turn(1)];
    let [left, right] = [&zero.surfaces[0], &zero.surfaces[1]].map(|surface| surface.neutral_deg);
    let apart: Measured = zero.between("left", "right").unwrap();
    Outcome {
        error_deg: [
            left.value - truth[0],
            right.value - truth[1],
            apart.value - (truth[1] - truth[0]),
        ],
        sd_deg: [left.sd, right.sd, apart.sd],
        misfit: found.misfit,
    }
}

#[test]
fn the_neutrals_of_aircraft_of_all_shapes_are_inside_their_doubt() {
    let [tripod, hand] = [filming::tripod(), filming::handheld()];
    let kinds = [
        ("one tripod", &tripod, false),
        ("tripod set up again", &tripod, true),
        ("hand", &hand, true),
    ];
    for (name, kind, moves) in kinds {
        let all: Vec<Outcome> = (0..AIRCRAFT)
            .into_par_iter()
            .map(|seed| outcome(&aircraft::random(seed), kind, moves, seed))
            .collect();
        for (index, what) in ["left", "right", "right less left"].iter().enumerate() {
            let error_deg = rms(all.iter().map(|one| one.error_deg[index]));
            let largest = all.iter().map(|one| one.error_deg[index].abs());
            let largest = largest.fold(0.0, f64::max);
            let of_claims = rms(all
                .iter()
                .map(|one| one.error_deg[index] / one.sd_deg[index]));
            let inside = |one: &&Outcome| one.error_deg[index].abs() <= 2.0 * one.sd_deg[index];
            let inside = all.iter().filter(inside).count();
            let mut u_deg: Vec<f64> = all.iter().map(|one| 2.0 * one.sd_deg[index]).collect();
            u_deg.sort_by(f64::total_cmp);
            println!(
                "{name}, {what}: {error_deg:.3}° RMS, {largest:.3}° at most, {of_claims:.2} of what is \
                 claimed, {inside} of {AIRCRAFT} inside, ± {:.3}, {:.3}, {:.3}°",
                u_deg[0],
                u_deg[u_deg.len() / 2],
                u_deg[u_deg.len() - 1],
            );
            // The RMS of 60 normal errors scatters by 9 %; three times that. Errors that are smaller
            // than claimed come from widened misfits and from what both films have in common.
            assert!(
                (0.6..1.27).contains(&of_claims),
                "{name} {what}: {of_claims}"
            );
            // 95 % of 60, and three standard deviations of that share.
            assert!(
                inside as u64 * 100 >= 87 * AIRCRAFT,
                "{name} {what}: {inside}"
            );
            if index == 2 && name != "hand" {
                assert!(error_deg <= 0.1, "{name}: {error_deg}");
            }
        }
        let largest = all.iter().map(|one| one.misfit).fold(0.0, f64::max);
        let misfit = all.iter().map(|one| one.misfit).sum::<f64>() / all.len() as f64;
        println!("{name}: misfit {misfit:.2}, {largest:.2} at most");
        assert!((0.5..1.5).contains(&misfit), "{name}: {misfit}");
    }
}

#[test]
fn a_tag_that_was_moved_between_the_clips_is_noticed() {
    for seed in 0..10 {
        let built = aircraft::random(seed);
        let main = film(&built, &filming::tripod(), seed);
        for surface in 0..2 {
            let moved = stuck_anew(&built, surface, [2.0, 0.0, 0.0]);
            let level = film(&moved, &resting(&filming::tripod()), seed + 1000);
            let found = laid(&main, &level);
            assert!(
                matches!(found, Err(NotLaid::DoesNotFit { .. })),
                "{seed} {surface}: {found:?}"
            );
        }
    }
}

#[test]
fn a_clip_that_shows_one_tag_alone_is_refused_with_its_reason() {
    let built = aircraft::plain(5);
    let main = film(&built, &filming::tripod(), 5);
    let mut level = film(&built, &resting(&filming::tripod()), 6);
    for frame in &mut level.sightings.frames {
        frame.sightings.truncate(1);
    }
    let found = laid(&main, &level);
    assert!(
        matches!(found, Err(NotLaid::TooFewTags { .. })),
        "{found:?}"
    );
}

#[test]
fn a_span_of_the_same_film_is_measured_and_is_no_hold() {
    // The sides are held at 6 % for a second before anything else, as a straight edge would hold them.
    let held_s = 1.0;
    let mut points = vec![(0.0, 6.0), (held_s, 6.0)];
    let mut order = Vec::new();
    let mut time_s = held_s;
    for stick in [0.0, 50.0, 100.0, 50.0, 0.0, -50.0, -100.0, -50.0, 0.0] {
        points.extend([(time_s + 0.3, stick), (time_s + 1.1, stick)]);
        time_s += 1.1;
        order.push(stick);
    }
    let errors: Vec<[f64; 2]> = (0..20_u64)
        .into_par_iter()
        .map(|seed| {
            let stick = StickPlan::Path {
                points: points.clone(),
            };
            let kind = Filming {
                stick,
                ..filming::tripod()
            };
            let built = aircraft::random(seed);
            let mut taken = film(&built, &kind, seed);
            taken.model.stations.source = StationSource::Order(order.clone());
            taken.model.stations.level_time_s = Some([0.1, 0.9]);
            let (sightings, model) = (&taken.sightings, &taken.model);
            let options = FitOptions::default();
            let motion = fit(sightings, model, &taken.profile, &options, &mut vec![]).unwrap();
            let found = HoldOptions::default();
            let holds = find_holds(&motion, sightings, model, &found, &mut vec![]).unwrap();
            assert_eq!(holds.holds.len(), order.len(), "{seed}");
            let responses = respond(&motion, &holds, model, &mut vec![]).unwrap();
            let apart = responses.level.unwrap().between("left", "right").unwrap();
            let in_span = |frame: &usize| (0.1..=0.9).contains(&taken.truth.frames[*frame].time_s);
            let span: Vec<usize> = (0..taken.truth.frames.len()).filter(in_span).collect();
            let truth = |surface| {
                taken.truth.mean_deg(surface, &holds.neutral_frames)
                    - taken.truth.mean_deg(surface, &span)
            };
            [apart.value - (truth(1) - truth(0)), apart.sd]
        })
        .collect();
    let error_deg = rms(errors.iter().map(|one| one[0]));
    let inside = errors
        .iter()
        .filter(|one| one[0].abs() <= 2.0 * one[1])
        .count();
    println!(
        "span of the film: {error_deg:.4}° RMS, {inside} of {} inside",
        errors.len()
    );
    assert!(error_deg <= 0.03 && inside >= 17, "{error_deg} {inside}");
}
