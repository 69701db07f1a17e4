//! Both sides adjusted to a target: what they then do, by known truth.

use hingewise::matching::Correction;
use hingewise::model_file::{Joins, MatchGroup, MatchMotion, Radio, Target};

use super::linkage::Side;
use super::world::{
    FOLLOWER, Measuring, REFERENCE, ROUND_25, even_points, group, match_group, measured, radio,
    responses, servo_pct,
};
use crate::support::random::Random;

const AIRCRAFT: u64 = 40;
const STEP_PCT: f64 = 1.0;
/// What measuring may add to half a step, deg.
const BEYOND_HALF_STEP_DEG: f64 = 0.05;
/// Bends of the curves between nine points that straight joins cannot follow, deg.
const BETWEEN_POINTS_DEG: f64 = 0.05;

/// Two sides of like travel, and the numbers that each got. `turned` reverses the second side.
struct Case {
    sides: [Side; 2],
    radio: Radio,
    corrections: Vec<Correction>,
    half_step_deg: f64,
}

fn case(seed: u64, motion: MatchMotion, target: impl Fn([&Side; 2]) -> Target) -> Case {
    let mut random = Random::new(seed);
    let second = Side::random(&mut random);
    let first = Side::random(&mut random);
    let travel = |side: &Side| side.deg(100.0) - side.deg(-100.0);
    let first = first.scaled(random.between(0.9, 1.1) * travel(&second) / travel(&first));
    let second = match motion {
        MatchMotion::Same => second,
        MatchMotion::Opposite => second.scaled(-1.0),
    };
    let radio = radio(&even_points(9), STEP_PCT, Joins::Straight);
    let left = measured(REFERENCE, &ROUND_25, &Measuring::TRIPOD, &mut random, |s| {
        first.deg(s)
    });
    let right = measured(FOLLOWER, &ROUND_25, &Measuring::TRIPOD, &mut random, |s| {
        second.deg(s)
    });
    let group = MatchGroup {
        target: target([&first, &second]),
        ..group(motion)
    };
    let all = responses(vec![left, right]);
    let corrections = match_group(&all, &group, Some(&radio), &mut Vec::new()).unwrap();
    let steepest = |side: &Side| {
        (-100..100)
            .map(|pct| side.deg(f64::from(pct + 1)) - side.deg(f64::from(pct)))
            .fold(0.0, |steepest: f64, slope| steepest.max(slope.abs()))
    };
    Case {
        half_step_deg: 0.5 * STEP_PCT * steepest(&first).max(steepest(&second)),
        sides: [first, second],
        radio,
        corrections,
    }
}

impl Case {
    /// What a side truly does with its numbers, deg.
    fn deg(&self, side: usize, stick_pct: f64) -> f64 {
        let settings = &self.corrections[side].settings;
        self.sides[side].deg(servo_pct(&self.radio, settings, stick_pct))
    }

    /// Largest true distance of a side from a target over the whole travel, deg.
    fn worst_deg(&self, side: usize, target_deg: impl Fn(f64) -> f64) -> f64 {
        (-100..=100)
            .map(|pct| (self.deg(side, f64::from(pct)) - target_deg(f64::from(pct))).abs())
            .fold(0.0, f64::max)
    }

    fn bound_deg(&self) -> f64 {
        self.half_step_deg + BEYOND_HALF_STEP_DEG + BETWEEN_POINTS_DEG
    }
}

/// How many sides of all aircraft come within the bound of their target.
fn met(target: Target, target_deg: impl Fn(&Case, usize, f64) -> f64, motion: MatchMotion) {
    let (mut met, mut all) = (0, 0);
    for seed in 0..AIRCRAFT {
        let case = case(seed, motion, |_| target);
        assert_eq!(case.corrections.len(), 2);
        for side in [0, 1] {
            if !case.corrections[side].out_of_reach.is_empty() {
                continue;
            }
            all += 1;
            let worst = case.worst_deg(side, |stick| target_deg(&case, side, stick));
            met += u32::from(worst <= case.bound_deg());
        }
    }
    println!("{target:?}: {met} of {all} sides met");
    assert!(all > 60, "{all}");
    assert!(f64::from(met) >= 0.95 * f64::from(all), "{met} of {all}");
}

#[test]
fn both_sides_become_one_straight_line() {
    for motion in [MatchMotion::Same, MatchMotion::Opposite] {
        // The steepest line that both reach, from the truth.
        let line = |case: &Case, side: usize, stick: f64| {
            let end = 100.0 * if stick < 0.0 { -1.0 } else { 1.0 };
            // Up with up: what the other side does at the opposite stick; up and down stay apart.
            let ends = match motion {
                MatchMotion::Same => vec![(0, end), (1, end), (0, -end), (1, -end)],
                MatchMotion::Opposite => vec![(side, end), (1 - side, -end)],
            };
            let reach = ends
                .into_iter()
                .map(|(side, end)| case.sides[side].deg(end).abs())
                .fold(f64::INFINITY, f64::min);
            case.sides[side].deg(100.0).signum() * reach * stick / 100.0
        };
        met(Target::Straight, line, motion);
    }
}

#[test]
fn both_sides_come_down_to_the_smaller_one() {
    let smaller = |across: f64| {
        move |case: &Case, side: usize, stick: f64| {
            let own = case.sides[side].deg(stick);
            let other = case.sides[1 - side].deg(across * stick);
            own.signum() * own.abs().min(other.abs())
        }
    };
    met(Target::Smaller, smaller(1.0), MatchMotion::Same);
    met(Target::Smaller, smaller(-1.0), MatchMotion::Opposite);
}

#[test]
fn both_sides_get_the_declared_throws_up_and_down() {
    let (mut met, mut all) = (0, 0);
    for motion in [MatchMotion::Same, MatchMotion::Opposite] {
        for seed in 0..AIRCRAFT {
            // Throws that both reach: nine tenths of the least of them, less down than up.
            let case = case(seed, motion, |sides| {
                let reach = sides
                    .iter()
                    .flat_map(|side| [side.deg(100.0).abs(), side.deg(-100.0).abs()])
                    .fold(f64::INFINITY, f64::min);
                Target::Throws {
                    up_deg: 0.9 * reach,
                    down_deg: 0.8 * reach,
                }
            });
            let Target::Throws { up_deg, down_deg } = case.corrections[0].target else {
                panic!("throws")
            };
            for side in [0, 1] {
                let ends = [case.deg(side, -100.0), case.deg(side, 100.0)];
                let up = ends[0].max(ends[1]) - up_deg;
                let down = ends[0].min(ends[1]) + down_deg;
                all += 1;
                met += u32::from(up.abs().max(down.abs()) <= case.bound_deg());
            }
        }
    }
    println!("throws: {met} of {all} sides met");
    assert!(f64::from(met) >= 0.95 * f64::from(all), "{met} of {all}");
}

#[test]
fn throws_beyond_reach_are_told() {
    let case = case(1, MatchMotion::Same, |sides| Target::Throws {
        up_deg: sides[0].deg(100.0) + 3.0,
        down_deg: -sides[0].deg(-100.0),
    });
    let end = &case.corrections[0].out_of_reach[0];
    assert_eq!(end.stick_pct, 100.0);
    assert!((end.short_deg.value - 3.0).abs() <= end.short_deg.u() + 0.05);
}
