//! Laws that every correction keeps, whatever the aircraft and the radio.

use hingewise::comparison::Standing;
use hingewise::matching::{Correction, MatchingError};
use hingewise::model_file::{Compare, Joins, MatchGroup, MatchMotion, Radio, Settings};
use hingewise::response::{Response, Responses};
use hingewise::warning::Warning;
use proptest::prelude::*;

use super::linkage::Side;
use super::world::{
    FOLLOWER, Measuring, REFERENCE, ROUND_25, even_points, group, match_group, measured, radio,
    responses, servo_pct,
};
use crate::support::random::Random;

const HOW: Measuring = Measuring {
    sd_deg: 0.02,
    half_play_deg: 0.1,
    scatter_deg: 0.01,
};

/// Two measured sides of a random aircraft.
fn sides(seed: u64) -> (Response, Response) {
    let mut random = Random::new(seed);
    let follower = Side::random(&mut random);
    let reference = Side::random(&mut random);
    let travel = |side: &Side| side.deg(100.0) - side.deg(-100.0);
    let reference =
        reference.scaled(random.between(0.7, 1.1) * travel(&follower) / travel(&reference));
    let left = measured(REFERENCE, &ROUND_25, &HOW, &mut random, |s| {
        reference.deg(s)
    });
    let right = measured(FOLLOWER, &ROUND_25, &HOW, &mut random, |s| follower.deg(s));
    (left, right)
}

/// A response with every deflection multiplied.
fn multiplied(response: &Response, factor: f64) -> Response {
    let mut response = response.clone();
    for station in &mut response.stations {
        station.deflection_deg.value *= factor;
    }
    response
}

fn matched(responses: &Responses, group: &MatchGroup, radio: &Radio) -> Correction {
    let corrections = match_group(responses, group, Some(radio), &mut Vec::new()).unwrap();
    corrections.into_iter().next().unwrap()
}

fn same() -> MatchGroup {
    group(MatchMotion::Same)
}

fn any_radio() -> impl Strategy<Value = Radio> {
    (
        prop::sample::select(vec![0, 5, 6, 7, 9, 13, 21]),
        prop::sample::select(vec![0.1, 0.25, 0.5, 1.0, 3.0, 5.0]),
        prop::bool::ANY,
        prop::sample::select(vec![80.0, 100.0, 150.0]),
    )
        .prop_map(|(points, step, straight, limit)| {
            let joins = if straight {
                Joins::Straight
            } else {
                Joins::Smooth
            };
            let points = match points {
                0 => Vec::new(),
                7 => vec![-100.0, -60.0, -35.0, 0.0, 20.0, 70.0, 100.0],
                points => even_points(points),
            };
            Radio {
                limit_pct: limit,
                ..radio(&points, step, joins)
            }
        })
}

/// Every number is a multiple of the step.
fn on_grid(settings: &Settings, step_pct: f64) -> bool {
    settings
        .curve_pct
        .iter()
        .chain(&settings.end_points_pct)
        .all(|number| {
            let steps = number / step_pct;
            (steps - steps.round()).abs() < 1e-6 || *number == 100.0
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..Default::default() })]

    #[test]
    fn commands_rise_stay_within_what_was_measured_and_leave_neutral(
        seed in 0_u64..10_000,
        radio in any_radio(),
    ) {
        let (left, right) = sides(seed);
        let result = match_group(&responses(vec![left, right]), &same(), Some(&radio), &mut Vec::new());
        let settings = result.unwrap().remove(0).settings;
        prop_assert!(on_grid(&settings, radio.step_pct));
        prop_assert!(servo_pct(&radio, &settings, 0.0).abs() < 1e-9);
        let mut before = f64::NEG_INFINITY;
        for i in -400..=400 {
            let command = servo_pct(&radio, &settings, 0.25 * f64::from(i));
            prop_assert!(command >= before - 1e-6);
            prop_assert!(command.abs() <= radio.limit_pct.min(100.0) + 1e-6);
            before = command;
        }
    }

    #[test]
    fn opposite_motion_is_the_same_job_in_the_mirror(seed in 0_u64..10_000, radio in any_radio()) {
        let (left, right) = sides(seed);
        let mirrored = multiplied(&right, -1.0);
        let plain = matched(&responses(vec![left.clone(), right]), &same(), &radio);
        let group = MatchGroup {
            compare: Compare::UpWithDown,
            ..group(MatchMotion::Opposite)
        };
        let opposite = matched(&responses(vec![left, mirrored]), &group, &radio);
        prop_assert_eq!(plain.settings, opposite.settings);
        for (a, b) in plain.found_deg.iter().zip(&opposite.found_deg) {
            prop_assert!((a.mismatch_deg.value - b.mismatch_deg.value).abs() < 1e-9);
        }
    }

    #[test]
    fn a_servo_that_runs_the_other_way_needs_the_same_numbers(
        seed in 0_u64..10_000,
        radio in any_radio(),
    ) {
        let (left, right) = sides(seed);
        let turned = responses(vec![multiplied(&left, -1.0), multiplied(&right, -1.0)]);
        let plain = matched(&responses(vec![left, right]), &same(), &radio);
        let turned = matched(&turned, &same(), &radio);
        prop_assert_eq!(plain.settings, turned.settings);
        for (a, b) in plain.found_deg.iter().zip(&turned.found_deg) {
            prop_assert!((a.mismatch_deg.value + b.mismatch_deg.value).abs() < 1e-9);
        }
    }
}

#[test]
fn sides_that_are_alike_get_no_numbers() {
    // A k = 2 interval misses one time in twenty: so often may a point be moved, or an end called
    // out of reach, that is not.
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let (aircraft, points, ends) = (40, 8, 2);
    let (mut moved, mut called_short) = (0, 0);
    for seed in 0..aircraft {
        let mut random = Random::new(seed);
        let side = Side::random(&mut random);
        let left = measured(REFERENCE, &ROUND_25, &HOW, &mut random, |s| side.deg(s));
        let right = measured(FOLLOWER, &ROUND_25, &HOW, &mut random, |s| side.deg(s));
        let correction = matched(&responses(vec![left, right]), &same(), &radio);
        let numbers = &correction.settings.curve_pct;
        moved += numbers.iter().filter(|&&number| number != 0.0).count();
        called_short += correction.out_of_reach.len();
    }
    assert!(moved * 20 <= aircraft as usize * points, "{moved} moved");
    assert!(
        called_short * 20 <= aircraft as usize * ends,
        "{called_short} short"
    );
}

#[test]
fn the_interval_of_the_mismatch_found_holds_the_truth() {
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let (mut inside, mut all) = (0, 0);
    for seed in 0..100 {
        let mut random = Random::new(seed);
        let follower = Side::random(&mut random);
        let reference = Side::random(&mut random).scaled(0.8);
        let left = measured(REFERENCE, &ROUND_25, &HOW, &mut random, |s| {
            reference.deg(s)
        });
        let right = measured(FOLLOWER, &ROUND_25, &HOW, &mut random, |s| follower.deg(s));
        let correction = matched(&responses(vec![left, right]), &same(), &radio);
        for station in correction.found_deg.iter().filter(|at| at.stick_pct != 0.0) {
            let truth = follower.deg(station.stick_pct) - reference.deg(station.stick_pct);
            let apart = (truth - station.mismatch_deg.value).abs();
            all += 1;
            inside += u32::from(apart <= station.mismatch_deg.u());
        }
    }
    let share = f64::from(inside) / f64::from(all);
    println!(
        "the k = 2 interval holds the truth at {:.1} % of stations",
        100.0 * share
    );
    assert!((0.93..=0.99).contains(&share));
}

#[test]
fn each_of_several_followers_gets_its_own_numbers() {
    let (left, right) = sides(3);
    let other = Response {
        surface: "outer panel".into(),
        ..multiplied(&right, 1.05)
    };
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let pair = matched(
        &responses(vec![left.clone(), right.clone()]),
        &same(),
        &radio,
    );
    let group = MatchGroup {
        followers: vec!["outer panel".into(), FOLLOWER.into()],
        ..same()
    };
    let all = responses(vec![left, right, other]);
    let corrections = match_group(&all, &group, Some(&radio), &mut Vec::new()).unwrap();
    assert_eq!(corrections[0].follower, "outer panel");
    assert_eq!(corrections[1].settings, pair.settings);
    assert_ne!(corrections[0].settings, pair.settings);
}

#[test]
fn without_a_radio_end_points_are_proposed_and_told() {
    let (left, right) = sides(3);
    let mut warnings = Vec::new();
    let all = responses(vec![left, right]);
    let correction = match_group(&all, &same(), None, &mut warnings)
        .unwrap()
        .remove(0);
    assert!(correction.settings.curve_pct.is_empty());
    assert!(on_grid(&correction.settings, 1.0));
    assert!(
        warnings
            .iter()
            .any(|warning| warning.code() == "radio-not-declared")
    );
}

#[test]
fn what_cannot_be_matched_is_refused_with_the_reason() {
    let (left, right) = sides(3);
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let refused = |left: &Response, right: &Response| {
        let all = responses(vec![left.clone(), right.clone()]);
        match_group(&all, &same(), Some(&radio), &mut Vec::new()).unwrap_err()
    };
    let reversed = multiplied(&right, -1.0);
    assert!(matches!(
        refused(&left, &reversed),
        MatchingError::WrongWay { .. }
    ));
    let told = refused(&left, &reversed).to_string();
    assert!(told.contains("opposite ways"), "{told}");
    assert!(told.contains("motion = \"same\""), "{told}");
    let still = multiplied(&right, 1e-3);
    assert!(matches!(
        refused(&left, &still),
        MatchingError::TooLittleTravel { .. }
    ));
    let mut broken = right.clone();
    broken.stations[2].deflection_deg.value = f64::NAN;
    assert!(matches!(
        refused(&left, &broken),
        MatchingError::NotFinite { .. }
    ));
    let mut short = right.clone();
    short.stations.truncate(2);
    assert!(matches!(
        refused(&left, &short),
        MatchingError::TooFewStations { .. }
    ));
    let unseen = Response {
        surface: "elsewhere".into(),
        ..right
    };
    assert!(matches!(
        refused(&left, &unseen),
        MatchingError::NotMeasured { .. }
    ));
}

#[test]
fn the_second_round_starts_from_what_is_entered() {
    let mut random = Random::new(8);
    let follower = Side::random(&mut random);
    let reference = Side::random(&mut random);
    let travel = |side: &Side| side.deg(100.0) - side.deg(-100.0);
    let reference = reference.scaled(0.8 * travel(&follower) / travel(&reference));
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let mut film = |settings: &Settings| {
        let left = measured(REFERENCE, &ROUND_25, &HOW, &mut random, |s| {
            reference.deg(s)
        });
        let right = measured(FOLLOWER, &ROUND_25, &HOW, &mut random, |s| {
            follower.deg(servo_pct(&radio, settings, s))
        });
        let entered = Radio {
            active: [(FOLLOWER.to_string(), settings.clone())].into(),
            ..radio.clone()
        };
        matched(&responses(vec![left, right]), &same(), &entered)
    };
    let nothing = Settings {
        curve_pct: vec![0.0; 9],
        ..Settings::default()
    };
    let tolerance_deg = 0.4;
    let first = film(&nothing);
    assert_eq!(
        Standing::of_correction(&first, tolerance_deg),
        Standing::Out
    );
    let second = film(&first.settings);
    assert_eq!(second.stages[0].settings, first.settings);
    assert_eq!(
        Standing::of_correction(&second, tolerance_deg),
        Standing::Within
    );
    let found = second.found_worst_deg.unwrap();
    let promised = &first.predicted_deg;
    assert!((found.value - promised.worst).abs() <= found.u().hypot(promised.u));
    // Entered with the end points forgotten: seen, and cured from there.
    let forgotten = Settings {
        end_points_pct: nothing.end_points_pct,
        ..first.settings.clone()
    };
    assert_ne!(forgotten, first.settings);
    let third = film(&forgotten);
    assert_eq!(
        Standing::of_correction(&third, tolerance_deg),
        Standing::Out
    );
    assert!(third.predicted_deg.worst < tolerance_deg);
}

#[test]
fn the_verdict_near_the_tolerance_is_right_or_open() {
    // Planted mismatches of 0.5 to 1.5 tolerances at the ends; k = 2 leaves one wrong in forty on
    // either side.
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let (mut wrong, mut told) = (0, 0);
    for seed in 0..120 {
        let mut random = Random::new(seed);
        let side = Side::random(&mut random);
        let travel = side.deg(100.0).max(-side.deg(-100.0));
        let tolerance_deg = 0.3;
        let planted = random.between(0.5, 1.5);
        let other = side.scaled(1.0 - planted * tolerance_deg / travel);
        let left = measured(REFERENCE, &ROUND_25, &HOW, &mut random, |s| side.deg(s));
        let right = measured(FOLLOWER, &ROUND_25, &HOW, &mut random, |s| other.deg(s));
        let found = matched(&responses(vec![left, right]), &same(), &radio);
        let verdict = Standing::of_correction(&found, tolerance_deg);
        let truly = if planted <= 1.0 {
            Standing::Within
        } else {
            Standing::Out
        };
        told += u32::from(verdict != Standing::CannotTell);
        wrong += u32::from(verdict != Standing::CannotTell && verdict != truly);
    }
    println!("{told} of 120 verdicts told, {wrong} of them wrong");
    assert!(told > 40);
    assert!(f64::from(wrong) <= 0.05 * 120.0);
}
