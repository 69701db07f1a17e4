//! The loop closed on the two rendered clips, from their true stations.

use hingewise::model_file::{Joins, MatchMotion, Settings};
use hingewise::warning::Warning;

use super::linkage::Side;
use super::world::{
    FOLLOWER, Measuring, REFERENCE, even_points, group, match_group, measured, radio, responses,
    servo_pct, true_worst_deg,
};
use crate::support::random::Random;

/// `(stick, left, right)` rows of a file of `tests/data/matching`.
fn table(name: &str) -> Vec<[f64; 3]> {
    let path = format!(
        "{}/tests/data/matching/{name}.csv",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(&path).unwrap();
    text.lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            [cells[0], cells[1], cells[2]]
        })
        .collect()
}

/// The true stations with the noise of a measurement; play and scatter are in the truth.
fn clip(name: &str, sd_deg: f64, seed: u64) -> (hingewise::response::Responses, Side, Side) {
    let stations = table(&format!("{name}_stations"));
    let order: Vec<f64> = stations.iter().map(|row| row[0]).collect();
    let mut random = Random::new(seed);
    let how = Measuring {
        sd_deg,
        half_play_deg: 0.0,
        scatter_deg: 0.0,
    };
    let mut side = |name: &str, column: usize| {
        let mut rows = stations.iter();
        let next = std::cell::RefCell::new(&mut rows);
        measured(name, &order, &how, &mut random, |_| {
            next.borrow_mut().next().unwrap()[column]
        })
    };
    let surfaces = vec![side(REFERENCE, 1), side(FOLLOWER, 2)];
    let response = table(&format!("{name}_response"));
    let truth = |column: usize| Side::from_table(response.iter().map(|row| row[column]).collect());
    (responses(surfaces), truth(1), truth(2))
}

/// Half a step of the radio in deflection where the follower is most sensitive, deg.
fn half_step_deg(follower: &Side, step_pct: f64) -> f64 {
    let slope = (-100..100)
        .map(|pct| follower.deg(f64::from(pct + 1)) - follower.deg(f64::from(pct)))
        .fold(0.0, f64::max);
    0.5 * step_pct * slope
}

/// Accepted beyond half a step: what five or nine stations at 0.03° leave.
const BEYOND_HALF_STEP_DEG: f64 = 0.10;

#[test]
fn the_handheld_clip_is_matched_over_the_whole_travel() {
    for (points, step_pct, joins) in [
        (9, 1.0, Joins::Straight),
        (9, 1.0, Joins::Smooth),
        (5, 1.0, Joins::Smooth),
        (17, 1.0, Joins::Straight),
    ] {
        let radio = radio(&even_points(points), step_pct, joins);
        for seed in 0..5 {
            let (responses, left, right) = clip("handheld", 0.03, seed);
            let mut warnings = Vec::new();
            let group = group(MatchMotion::Same);
            let found = match_group(&responses, &group, Some(&radio), &mut warnings).unwrap();
            let before = true_worst_deg(
                &radio,
                &found[0].stages[0].settings,
                |s| left.deg(s),
                &right,
            );
            let after = true_worst_deg(&radio, &found[0].settings, |s| left.deg(s), &right);
            let bound = half_step_deg(&right, step_pct) + BEYOND_HALF_STEP_DEG;
            assert!(before > 6.0);
            assert!(
                after < bound,
                "{joins:?} {step_pct} %: {after:.3} against {bound:.3}"
            );
            assert!(found[0].out_of_reach.is_empty());
        }
    }
}

#[test]
fn the_tripod_clip_is_matched_once_the_reference_end_is_reduced_as_told() {
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    for seed in 0..5 {
        let (responses, left, right) = clip("tripod_cards", 0.03, seed);
        let mut warnings = Vec::new();
        let group = group(MatchMotion::Same);
        let found = match_group(&responses, &group, Some(&radio), &mut warnings).unwrap();
        let end = &found[0].out_of_reach[0];
        let short = left.deg(100.0) - right.deg(100.0);
        assert_eq!(found[0].out_of_reach.len(), 1);
        assert_eq!(end.stick_pct, 100.0);
        assert!((end.short_deg.value - short).abs() < end.short_deg.u());
        assert_eq!(warnings[0].code(), "follower-out-of-reach");

        let reduced = Settings {
            end_points_pct: [100.0, end.reference_end_point_pct],
            curve_pct: vec![0.0; 9],
            ..Settings::default()
        };
        let reference = |stick: f64| left.deg(servo_pct(&radio, &reduced, stick));
        let after = true_worst_deg(&radio, &end.common_settings, reference, &right);
        let bound = half_step_deg(&right, 1.0) + BEYOND_HALF_STEP_DEG;
        assert!(after < bound, "{after:.3} against {bound:.3}");

        // Without touching the reference the reachable part is matched no worse than by a curve that
        // meets the reference at every point and stays flat from there.
        let reach_deg = right.deg(100.0);
        let ideal_pct = |target_deg: f64| {
            let at = (-1000..=1000).map(|i| 0.1 * f64::from(i));
            let apart = |pct: &f64| (right.deg(*pct) - target_deg).abs();
            at.min_by(|a, b| apart(a).total_cmp(&apart(b))).unwrap()
        };
        let points = even_points(9);
        let met = Settings {
            curve_pct: points.iter().map(|s| ideal_pct(left.deg(*s)) - s).collect(),
            ..Settings::default()
        };
        let worst_within_reach = |settings: &Settings| {
            (-200..=200)
                .map(|i| 0.5 * f64::from(i))
                .filter(|s| left.deg(*s) <= reach_deg)
                .map(|s| right.deg(servo_pct(&radio, settings, s)) - left.deg(s))
                .fold(0.0, |worst: f64, apart| worst.max(apart.abs()))
        };
        let (found_deg, met_deg) = (
            worst_within_reach(&found[0].settings),
            worst_within_reach(&met),
        );
        assert!(found_deg < met_deg, "{found_deg:.3} against {met_deg:.3}");
    }
}
