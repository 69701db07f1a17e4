//! The radio as it is, and numbers that are the best it accepts.

use hingewise::model_file::{CurveShows, EndPoints, Joins, Settings};

use super::fleet::Aircraft;
use crate::matching::world::even_points;

const AIRCRAFT: u64 = 24;

#[test]
fn every_kind_of_radio_is_served_alike() {
    type Kind<'a> = (&'a str, fn(&mut Aircraft));
    let kinds: [Kind; 6] = [
        ("additions, end points after the curve", |_| {}),
        ("outputs", |aircraft| {
            aircraft.radio.curve_shows = CurveShows::Output
        }),
        ("outputs, smooth joins", |aircraft| {
            aircraft.radio.curve_shows = CurveShows::Output;
            aircraft.radio.joins = Joins::Smooth;
        }),
        ("end points before the curve", |aircraft| {
            aircraft.radio.end_points = EndPoints::Before;
        }),
        ("a side that a mix drives with −100 %", |aircraft| {
            aircraft.reversed = true
        }),
        ("outputs up to 125 %", |aircraft| {
            aircraft.radio.curve_limit_pct = 125.0
        }),
    ];
    let mut plain_deg = 0.0;
    for (kind, change) in kinds {
        let (mut left_deg, mut kept, mut all) = (0.0, 0, 0);
        for seed in 0..AIRCRAFT {
            let mut aircraft = Aircraft::unlike(seed, 1.0);
            aircraft.radio.joins = Joins::Straight;
            aircraft.radio.curve_points_pct = Some(even_points(9));
            change(&mut aircraft);
            let nothing = aircraft.nothing();
            let correction = aircraft.round(&nothing);
            if !correction.out_of_reach.is_empty() {
                continue;
            }
            let points = aircraft.radio.curve_points_pct.clone().unwrap();
            for (point, typed) in points.iter().zip(&correction.settings.curve_pct) {
                let output = match aircraft.radio.curve_shows {
                    CurveShows::Added => point + typed,
                    CurveShows::Output => *typed,
                };
                assert!(
                    output.abs() <= aircraft.radio.curve_limit_pct + 1e-9,
                    "{kind}"
                );
                assert!((typed - typed.round()).abs() < 1e-9, "{kind}");
            }
            let truth = aircraft.truth(&correction.settings);
            left_deg += truth.worst_deg;
            all += 1;
            kept += u32::from(truth.worst_deg <= correction.predicted_deg.worst);
        }
        left_deg /= f64::from(all);
        println!("{kind}: leaves {left_deg:.3}° on average, {kept} of {all} promises kept");
        assert!(kept * 100 >= all * 80, "{kind}");
        if plain_deg == 0.0 {
            plain_deg = left_deg;
        }
        assert!(left_deg < 1.3 * plain_deg, "{kind}");
    }
}

/// The least worst mismatch of one side of neutral: every end point and both curve points about what
/// serves best, each tried with the test's own arithmetic.
fn exhaustive_deg(aircraft: &Aircraft, side: usize) -> f64 {
    let sign = if side == 0 { -1.0 } else { 1.0 };
    let sticks: Vec<f64> = (0..=100).map(|i| sign * f64::from(i)).collect();
    let worst = |settings: &Settings, stop_deg: f64| {
        let mut worst = 0.0_f64;
        for &stick in &sticks {
            let apart = aircraft.follower_deg(settings, stick)
                - aircraft.reference_deg(&aircraft.nothing(), stick);
            worst = worst.max(apart.abs());
            if worst > stop_deg {
                break;
            }
        }
        worst
    };
    let mut best = f64::INFINITY;
    let (half, end) = if side == 0 { (1, 0) } else { (3, 4) };
    for end_point in 55..=100 {
        for half_point in -16..=16 {
            for end_addition in 0..=16 {
                let mut tried = aircraft.nothing();
                tried.end_points_pct[side] = f64::from(end_point);
                tried.curve_pct[half] = f64::from(half_point);
                tried.curve_pct[end] = -sign * f64::from(end_addition);
                best = best.min(worst(&tried, best));
            }
        }
    }
    best
}

#[test]
fn no_numbers_leave_five_percent_less() {
    let (mut ratio, mut all) = (0.0_f64, 0);
    for seed in 0..AIRCRAFT {
        let mut aircraft = Aircraft::unlike(seed, 1.0);
        aircraft.radio.joins = Joins::Straight;
        aircraft.radio.curve_points_pct = Some(even_points(5));
        aircraft.noise = 0.0;
        let nothing = aircraft.nothing();
        let correction = aircraft.round(&nothing);
        if !correction.out_of_reach.is_empty() {
            continue;
        }
        let best_deg = exhaustive_deg(&aircraft, 0).max(exhaustive_deg(&aircraft, 1));
        let found_deg = aircraft.truth(&correction.settings).worst_deg;
        all += 1;
        ratio = ratio.max(found_deg / best_deg);
        // 0.005° are left for the fit of exact stations.
        assert!(
            found_deg <= 1.05 * best_deg + 0.005,
            "{seed}: {found_deg:.3} of {best_deg:.3}"
        );
    }
    println!("at most {ratio:.3} times the best of {all}");
    assert!(all >= 10);
}

#[test]
fn each_step_builds_on_the_one_before() {
    let mut steps = 0;
    for seed in 0..AIRCRAFT {
        let mut aircraft = Aircraft::unlike(seed, 1.0);
        let nothing = aircraft.nothing();
        let correction = aircraft.round(&nothing);
        let stages = &correction.stages;
        assert_eq!(stages[0].settings, nothing);
        assert_eq!(stages.last().unwrap().settings, correction.settings);
        for pair in stages.windows(2) {
            steps += 1;
            let changed =
                |of: fn(&Settings) -> Vec<f64>| of(&pair[0].settings) != of(&pair[1].settings);
            let ends = changed(|settings| settings.end_points_pct.to_vec());
            let curve = changed(|settings| settings.curve_pct.clone());
            assert!(ends != curve, "one thing at a time");
        }
    }
    assert!(steps > 20);
}
