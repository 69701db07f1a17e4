//! Neutral against an earlier clip, on synthetic films of aircraft whose surfaces were turned about
//! their hinges in between, filmed from another place.
//!
//! The truth is the synthetic world's (`tests/support`), which shares no code with the program.

#![allow(clippy::unwrap_used)]

use std::path::Path;

use crate::support::aircraft::{self, Aircraft};
use crate::support::corner_errors::{CONSTANT_PX, EDGE_SHIFT_PX};
use crate::support::filming::{self, Filming};
use crate::support::judge::{inside, rms};
use crate::support::random::Random;
use crate::support::rigid::{Pose, Vec3, add, apply, sub, turn_by_vector};
use crate::support::world::{Film, observe};
use hingewise::measured::Measured;
use hingewise::measurement::{Measurement, NeutralRecord};
use hingewise::motion::{FitOptions, TagsAtNeutral, fit};
use hingewise::record::{
    Kept, NeutralChange, NeutralDrift, Registration, neutral_drifts, register,
};
use rayon::prelude::*;

/// The aircraft seen from another place: turned about a point in its middle and shifted.
pub fn elsewhere(aircraft: &Aircraft, turn: Vec3, shift_mm: Vec3) -> Aircraft {
    let middle = [0.0, 0.0, 800.0];
    let rotation = turn_by_vector(turn);
    let move_by = Pose {
        rotation,
        translation: add(sub(middle, apply(&rotation, middle)), shift_mm),
    };
    let mut moved = aircraft.clone();
    for surface in &mut moved.surfaces {
        surface.tag.world_from_tag = move_by.after(&surface.tag.world_from_tag);
        surface.hinge.point_mm = move_by.point(surface.hinge.point_mm);
        surface.hinge.direction = apply(&rotation, surface.hinge.direction);
    }
    for tag in &mut moved.airframe_tags {
        tag.world_from_tag = move_by.after(&tag.world_from_tag);
    }
    moved
}

/// The aircraft with its surfaces turned about their hinges, as an adjusted rod does it.
pub fn shifted(aircraft: &Aircraft, shift_deg: [f64; 2]) -> Aircraft {
    let mut shifted = aircraft.clone();
    for (surface, shift_deg) in shifted.surfaces.iter_mut().zip(shift_deg) {
        let tag = &mut surface.tag.world_from_tag;
        *tag = surface.hinge.carried(tag, shift_deg.to_radians());
    }
    shifted
}

pub fn film(aircraft: &Aircraft, kind: &Filming, seed: u64) -> Film {
    let mut filming = kind.clone();
    filming.noise.edge_shift_px = EDGE_SHIFT_PX * Random::new(seed ^ 0xED6E).normal();
    filming.noise.constant_px = CONSTANT_PX;
    observe(
        aircraft,
        &Filming {
            seed,
            frame_rate: 10.0,
            ..filming
        },
    )
}

pub fn at_neutral(film: &Film) -> TagsAtNeutral {
    let options = FitOptions::default();
    let (sightings, model) = (&film.sightings, &film.model);
    let motion = fit(sightings, model, &film.profile, &options, &mut vec![]).unwrap();
    let neutral: Vec<_> = (0..film.aircraft.surfaces.len())
        .map(|surface| {
            let seen = |frame: &usize| motion.frames[*frame].deflections[surface].is_some();
            let frames: Vec<usize> = film.truth.neutral_frames();
            let frames: Vec<usize> = frames.into_iter().filter(seen).collect();
            let weight = 1.0 / frames.len() as f64;
            frames
                .into_iter()
                .map(|frame| (frame, surface, weight))
                .collect()
        })
        .collect();
    motion.tags_at_neutral(&neutral, &[0.0, 0.0]).unwrap()
}

/// Later minus earlier true neutral of a surface, with what was planted.
fn true_change_deg(films: [&Film; 2], surface: usize, planted_deg: f64) -> f64 {
    let neutral = |film: &Film| film.truth.mean_deg(surface, &film.truth.neutral_frames());
    neutral(films[1]) - neutral(films[0]) + planted_deg
}

/// Error and standard deviation of left, right, and right against left, degrees.
struct Outcome {
    error_deg: [f64; 3],
    sd_deg: [f64; 3],
    misfit: f64,
}

fn outcome(built: &Aircraft, kinds: [&Filming; 2], seed: u64) -> Outcome {
    let mut random = Random::new(seed ^ 0xD1F7);
    let planted_deg = [random.between(-2.0, 2.0), random.between(-2.0, 2.0)];
    let turn = std::array::from_fn(|_| random.between(-0.05, 0.05));
    let shift_mm = std::array::from_fn(|_| random.between(-20.0, 20.0));
    let before = film(built, kinds[0], seed);
    let after = elsewhere(&shifted(built, planted_deg), turn, shift_mm);
    let after = film(&after, kinds[1], seed + 1000);
    let found: Registration = register(&at_neutral(&before), &at_neutral(&after)).unwrap();
    let error = |surface: usize| {
        found.turns_rad[surface].to_degrees()
            - true_change_deg([&before, &after], surface, planted_deg[surface])
    };
    let covariance = &found.covariance_rad2;
    let against = covariance[(0, 0)] + covariance[(1, 1)] - 2.0 * covariance[(0, 1)];
    Outcome {
        error_deg: [error(0), error(1), error(1) - error(0)],
        sd_deg: [covariance[(0, 0)], covariance[(1, 1)], against]
            .map(|variance| variance.sqrt().to_degrees()),
        misfit: found.misfit,
    }
}

/// Share of the outcomes in which the truth lies inside k = 2, over left, right, right − left.
fn covered(all: &[Outcome]) -> f64 {
    let of_one = |one: &Outcome| inside(one.error_deg.into_iter().zip(one.sd_deg));
    all.iter().map(of_one).sum::<usize>() as f64 / (3 * all.len()) as f64
}

#[test]
fn a_planted_change_of_neutral_is_inside_its_doubt_on_aircraft_of_all_shapes() {
    let [tripod, hand] = [filming::tripod(), filming::handheld()];
    let kinds = [
        ("tripod", [&tripod, &tripod]),
        ("hand", [&hand, &hand]),
        ("tripod, later hand", [&tripod, &hand]),
    ];
    for (name, kinds) in kinds {
        let seeds = (0..60_u64).into_par_iter();
        let all: Vec<Outcome> = seeds
            .map(|seed| outcome(&aircraft::random(seed), kinds, seed))
            .collect();
        for (index, what) in ["left", "right", "right − left"].iter().enumerate() {
            let error_deg = rms(all.iter().map(|one| one.error_deg[index]));
            let in_claims = |one: &Outcome| one.error_deg[index] / one.sd_deg[index];
            let of_claims = rms(all.iter().map(in_claims));
            let mut u_deg: Vec<f64> = all.iter().map(|one| 2.0 * one.sd_deg[index]).collect();
            u_deg.sort_by(f64::total_cmp);
            println!(
                "{name}, {what}: {error_deg:.3}° RMS, {of_claims:.2} of what is claimed, ± {:.3} to \
                 {:.3}°",
                u_deg[0],
                u_deg[u_deg.len() - 1],
            );
            // The RMS of 60 normal errors scatters by 9 %; three times that.
            assert!(
                (0.73..1.27).contains(&of_claims),
                "{name} {what}: {of_claims}"
            );
        }
        let covered = covered(&all);
        let misfit = all.iter().map(|one| one.misfit).sum::<f64>() / all.len() as f64;
        println!(
            "{name}: {:.1} % inside, misfit {misfit:.2}",
            100.0 * covered
        );
        assert!((0.90..=0.99).contains(&covered), "{name}: {covered}");
        // χ² over its 18 or 24 degrees of freedom, 60 of them: a standard deviation of 4 %.
        assert!((0.88..1.12).contains(&misfit), "{name}: {misfit}");
    }
}

/// A kept measurement of the film, read back from its file.
fn kept(film: &Film, date: &str) -> Kept {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/measurement/before.json");
    let mut measurement = Measurement::read(&file).unwrap();
    measurement.date = Some(date.into());
    measurement.radio = None;
    measurement.matches.clear();
    for (record, built) in measurement.surfaces.iter_mut().zip(&film.aircraft.surfaces) {
        record.name = built.name.clone();
    }
    measurement.groups[0].reference = "left".into();
    measurement.groups[0].followers = vec!["right".into()];
    measurement.neutral = Some((&at_neutral(film)).into());
    let text = measurement.to_json().unwrap();
    Kept {
        name: format!("001-{date}"),
        measurement: Measurement::from_json(&text, &file).unwrap(),
    }
}

/// What is told of two films of the plain aircraft, the second of it as `changed`.
fn told(built: &Aircraft, changed: &Aircraft) -> Vec<NeutralDrift> {
    let before = kept(&film(built, &filming::tripod(), 5), "2026-03-01");
    let changed = elsewhere(changed, [0.02, -0.03, 0.01], [12.0, -7.0, 15.0]);
    let after = kept(&film(&changed, &filming::tripod(), 6), "2026-11-26");
    neutral_drifts(&after.measurement, &[before])
}

fn change_deg(drift: &NeutralDrift) -> Measured {
    match drift.change {
        NeutralChange::Known(change) => change,
        NeutralChange::TagsMoved => panic!("{drift:?}"),
    }
}

#[test]
fn a_shift_of_neutral_is_told_of_the_side_that_moved_only() {
    let built = aircraft::plain(5);
    let [left, right] = &told(&built, &shifted(&built, [0.0, 0.4]))[..] else {
        panic!("left and right");
    };
    assert_eq!((left.is_sure(), right.is_sure()), (false, true));
    assert_eq!(
        (&*right.since, &right.against),
        ("2026-03-01 (entry 1)", &None)
    );
    let change = change_deg(right);
    assert!((change.value - 0.4).abs() <= change.u(), "{right:?}");
    assert!(change.u() < 0.2, "{right:?}");
}

#[test]
fn no_shift_of_neutral_is_claimed_where_there_was_none() {
    let built = aircraft::plain(5);
    let drifts = told(&built, &built);
    assert_eq!(drifts.len(), 2);
    for drift in &drifts {
        assert!(!drift.is_sure() && change_deg(drift).u() < 0.2, "{drift:?}");
    }
}

/// The aircraft with the tag of a surface moved.
pub fn stuck_anew(built: &Aircraft, surface: usize, by_mm: Vec3) -> Aircraft {
    let mut changed = built.clone();
    let tag = &mut changed.surfaces[surface].tag.world_from_tag.translation;
    *tag = add(*tag, by_mm);
    changed
}

#[test]
fn a_tag_that_was_stuck_on_beside_its_place_is_no_shift_of_neutral() {
    // Corner errors of 0.01 px that last the clip tilt the airframe tag by a degree: 1 mm along the
    // hinge could be that.
    for seed in 0..10 {
        let built = aircraft::random(seed);
        for surface in 0..2 {
            let drifts = told(&built, &stuck_anew(&built, surface, [2.0, 0.0, 0.0]));
            assert!(!drifts.is_empty());
            for drift in drifts {
                assert_eq!(drift.change, NeutralChange::TagsMoved, "{seed} {surface}");
            }
        }
    }
}

#[test]
fn without_an_airframe_tag_the_sides_are_told_against_each_other() {
    let mut built = aircraft::plain(5);
    built.airframe_tags.clear();
    let drifts = told(&built, &shifted(&built, [1.0, 1.4]));
    let is_pair = |drift: &&NeutralDrift| drift.against.as_deref() == Some("left");
    let apart = drifts.iter().find(is_pair).unwrap();
    let change = change_deg(apart);
    assert!(
        apart.is_sure() && (change.value - 0.4).abs() <= change.u(),
        "{drifts:?}"
    );
    // What the hinges, which are not quite parallel, tell of a common turn is far less.
    for single in drifts.iter().filter(|drift| drift.against.is_none()) {
        assert!(change_deg(single).u() > 2.0 * change.u(), "{drifts:?}");
    }
}

#[test]
fn how_badly_a_surface_comes_back_to_neutral_is_part_of_the_doubt() {
    let built = aircraft::plain(5);
    let before = film(&built, &filming::tripod(), 5);
    let after = film(&shifted(&built, [0.0, 0.4]), &filming::tripod(), 6);
    let [before, mut after] = [kept(&before, "2026-03-01"), kept(&after, "2026-11-26")];
    for tag in &mut after.measurement.neutral.as_mut().unwrap().tags {
        tag.return_u_deg = tag.surface.as_ref().map(|_| 0.5);
    }
    for drift in neutral_drifts(&after.measurement, &[before]) {
        assert!(
            !drift.is_sure() && change_deg(&drift).u() >= 0.5,
            "{drift:?}"
        );
    }
}

#[test]
fn measurements_of_earlier_programs_tell_nothing_of_neutral() {
    let built = aircraft::plain(5);
    let latest = kept(&film(&built, &filming::tripod(), 5), "2026-11-26");
    let mut earlier = latest.clone();
    earlier.measurement.neutral = None;
    assert_eq!(
        neutral_drifts(&latest.measurement, std::slice::from_ref(&earlier)),
        []
    );
    assert_eq!(neutral_drifts(&earlier.measurement, &[latest]), []);
}

#[test]
fn places_that_do_not_hold_together_are_refused() {
    let built = aircraft::plain(5);
    let whole = kept(&film(&built, &filming::tripod(), 5), "2026-11-26").measurement;
    let without_a_row = |neutral: &mut NeutralRecord| {
        neutral.pose_covariance.pop();
    };
    let with_a_tag_twice = |neutral: &mut NeutralRecord| neutral.tags[1].tag = neutral.tags[0].tag;
    let without_a_hinge = |neutral: &mut NeutralRecord| {
        let tag = neutral.tags.iter_mut().find(|tag| tag.surface.is_some());
        tag.unwrap().hinge = None;
    };
    let spoilt: [&dyn Fn(&mut NeutralRecord); 3] =
        [&without_a_row, &with_a_tag_twice, &without_a_hinge];
    for spoil in spoilt {
        let mut measurement = whole.clone();
        spoil(measurement.neutral.as_mut().unwrap());
        let text = measurement.to_json().unwrap();
        let error = Measurement::from_json(&text, Path::new("kept.json")).unwrap_err();
        assert!(error.to_string().contains("neutral"), "{error}");
    }
}
