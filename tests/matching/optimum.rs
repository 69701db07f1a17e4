//! The numbers are the best ones there are.

use hingewise::model_file::{Joins, MatchMotion, Radio, Settings};

use super::linkage::Side;
use super::world::{
    FOLLOWER, Measuring, REFERENCE, even_points, group, match_group, measured, radio, responses,
    servo_pct,
};
use crate::support::random::Random;

/// What fitting and tabulating exact stations may add to a mismatch, deg.
const FIT_DEG: f64 = 0.003;

#[test]
fn a_parabola_is_met_with_half_the_error_of_interpolation() {
    // Minimax piecewise straight fit of x² on [0, 1] with N equal pieces: best worst error
    // 1/(8 N²), half that of interpolation; a parabola a·x² on pieces of width h leaves a·h²/8.
    // The travel is 10…100 % so that neutral ties no point down.
    let (parabola_deg, follower_deg_per_pct, step_pct) = (4.0, 0.25, 0.01);
    let even = |count: usize| -> Vec<f64> {
        (0..count)
            .map(|i| 10.0 + 90.0 * i as f64 / (count - 1) as f64)
            .collect()
    };
    let reference = |stick: f64| {
        let x = stick / 100.0;
        20.0 * x - parabola_deg * x * x
    };
    for pieces in [2, 3, 5] {
        let radio = radio(&even(pieces + 1), step_pct, Joins::Straight);
        let mut random = Random::new(1);
        let left = measured(
            REFERENCE,
            &even(19),
            &Measuring::EXACT,
            &mut random,
            reference,
        );
        let right = measured(
            FOLLOWER,
            &even(19),
            &Measuring::EXACT,
            &mut random,
            |stick| follower_deg_per_pct * stick,
        );
        let all = responses(vec![left, right]);
        let group = group(MatchMotion::Same);
        let correction = match_group(&all, &group, Some(&radio), &mut Vec::new())
            .unwrap()
            .remove(0);
        let width = 0.9 / pieces as f64;
        let best_deg = parabola_deg * width * width / 8.0;
        let rounding_deg = 0.5 * step_pct * follower_deg_per_pct;
        let stations = correction.predicted_deg.stations.iter();
        let worst_deg = stations.fold(0.0, |worst: f64, at| worst.max(at.mismatch_deg.value.abs()));
        approx::assert_abs_diff_eq!(worst_deg, best_deg, epsilon = rounding_deg + FIT_DEG);
    }
}

/// Every curve within three steps of the proposed one, with its end points, scored with the test's own arithmetic.
fn brute_force(radio: &Radio, centre: &Settings, reference: &Side, follower: &Side) -> f64 {
    let around = |value: f64| (-3..=3).map(move |k| value + f64::from(k) * radio.step_pct);
    let c = &centre.curve_pct;
    let mut best = f64::INFINITY;
    for a in around(c[0]) {
        for b in around(c[1]) {
            for d in around(c[3]) {
                for e in around(c[4]) {
                    let tried = Settings {
                        curve_pct: vec![a, b, 0.0, d, e],
                        ..centre.clone()
                    };
                    best = best.min(worst(radio, &tried, reference, follower));
                }
            }
        }
    }
    best
}

/// Worst mismatch on the whole travel; infinite where commands fall or leave ±100 %.
fn worst(radio: &Radio, settings: &Settings, reference: &Side, follower: &Side) -> f64 {
    let mut before = f64::NEG_INFINITY;
    let mut worst = 0.0_f64;
    for i in -100..=100 {
        let stick = f64::from(i);
        let command = servo_pct(radio, settings, stick);
        if command < before || command.abs() > 100.0 {
            return f64::INFINITY;
        }
        before = command;
        worst = worst.max((follower.deg(command) - reference.deg(stick)).abs());
    }
    worst
}

#[test]
fn no_curve_within_three_steps_is_better() {
    for joins in [Joins::Straight, Joins::Smooth] {
        let radio = radio(&even_points(5), 1.0, joins);
        let mut compared = 0;
        for seed in 0..12 {
            let mut random = Random::new(seed);
            let follower = Side::random(&mut random);
            let reference = Side::random(&mut random);
            let travel = |side: &Side| side.deg(100.0) - side.deg(-100.0);
            let reference = reference.scaled(0.75 * travel(&follower) / travel(&reference));
            let order: Vec<f64> = std::iter::once(0.0).chain(even_points(41)).collect();
            let left = measured(REFERENCE, &order, &Measuring::EXACT, &mut random, |s| {
                reference.deg(s)
            });
            let right = measured(FOLLOWER, &order, &Measuring::EXACT, &mut random, |s| {
                follower.deg(s)
            });
            let all = responses(vec![left, right]);
            let group = group(MatchMotion::Same);
            let correction = match_group(&all, &group, Some(&radio), &mut Vec::new())
                .unwrap()
                .remove(0);
            if !correction.out_of_reach.is_empty() {
                continue;
            }
            compared += 1;
            assert_eq!(correction.optimality_gap_deg, Some(0.0));
            let found = worst(&radio, &correction.settings, &reference, &follower);
            let best = brute_force(&radio, &correction.settings, &reference, &follower);
            assert!(
                found <= best + FIT_DEG,
                "aircraft {seed}: {found:.4} against {best:.4}"
            );
        }
        assert!(compared >= 4);
    }
}
