//! Ailerons with a differential: up is compared against up, by known truth.

use hingewise::matching::Correction;
use hingewise::model_file::{Joins, MatchGroup, MatchMotion, Radio, Settings};

use super::linkage::Side;
use super::world::{
    FOLLOWER, Measuring, REFERENCE, ROUND_25, even_points, group, match_group, measured, radio,
    responses, servo_pct,
};
use crate::support::random::Random;

const DOWN_TO_UP: f64 = 0.6;
const STEP_PCT: f64 = 1.0;
const POINTS: usize = 11;
/// What measuring may add to half a step, deg.
const BEYOND_HALF_STEP_DEG: f64 = 0.05;

/// Two ailerons: the left one goes up with the stick, the right one down.
struct Ailerons {
    left: Side,
    right: Side,
    radio: Radio,
}

impl Ailerons {
    fn random(random: &mut Random) -> Self {
        let right = Side::random(random);
        let left = Side::random(random);
        let travel = |side: &Side| side.deg(100.0) - side.deg(-100.0);
        // The right one has a little more travel, so that it reaches what the left one does.
        let left = left.scaled(0.75 * travel(&right) / travel(&left));
        Self {
            left,
            right: right.scaled(-1.0),
            // A point at ±60 %, where the side going down ends: points beyond what was filmed stay.
            radio: radio(&even_points(POINTS), STEP_PCT, Joins::Straight),
        }
    }

    /// The mix of the radio: the side going down gets less. The left one goes down where the stick
    /// is negative, the right one where it is positive.
    fn left_deg(&self, stick_pct: f64) -> f64 {
        let share = if stick_pct < 0.0 { DOWN_TO_UP } else { 1.0 };
        self.left.deg(share * stick_pct)
    }

    fn right_deg(&self, settings: &Settings, stick_pct: f64) -> f64 {
        let share = if stick_pct > 0.0 { DOWN_TO_UP } else { 1.0 };
        self.right
            .deg(servo_pct(&self.radio, settings, share * stick_pct))
    }

    fn film(&self, settings: &Settings, random: &mut Random) -> Correction {
        let left = measured(REFERENCE, &ROUND_25, &Measuring::TRIPOD, random, |s| {
            self.left_deg(s)
        });
        let right = measured(FOLLOWER, &ROUND_25, &Measuring::TRIPOD, random, |s| {
            self.right_deg(settings, s)
        });
        let group = MatchGroup {
            down_to_up: Some(DOWN_TO_UP),
            ..group(MatchMotion::Opposite)
        };
        let entered = Radio {
            active: [(FOLLOWER.to_string(), settings.clone())].into(),
            ..self.radio.clone()
        };
        let all = responses(vec![left, right]);
        match_group(&all, &group, Some(&entered), &mut Vec::new())
            .unwrap()
            .remove(0)
    }

    /// Right at one stick less left at the opposite one: up against up.
    fn mismatch_deg(&self, settings: &Settings, stick_pct: f64) -> f64 {
        self.right_deg(settings, stick_pct) - self.left_deg(-stick_pct)
    }

    fn worst_deg(&self, settings: &Settings) -> f64 {
        (-100..=100)
            .map(|pct| self.mismatch_deg(settings, f64::from(pct)).abs())
            .fold(0.0, f64::max)
    }

    fn bound_deg(&self) -> f64 {
        let steepest = (-100..100)
            .map(|pct| self.right.deg(f64::from(pct)) - self.right.deg(f64::from(pct + 1)))
            .fold(0.0, f64::max);
        0.5 * STEP_PCT * steepest + BEYOND_HALF_STEP_DEG
    }
}

fn nothing() -> Settings {
    Settings {
        curve_pct: vec![0.0; POINTS],
        ..Settings::default()
    }
}

#[test]
fn ailerons_with_a_differential_are_matched_up_against_up() {
    let [mut cured, mut kept, mut all, mut inside, mut stations] = [0; 5];
    for seed in 0..40 {
        let mut random = Random::new(seed);
        let ailerons = Ailerons::random(&mut random);
        let found = ailerons.film(&nothing(), &mut random);
        for station in &found.found_deg {
            // Told by the reference's stick; the follower's is the opposite one.
            let truth = ailerons.mismatch_deg(&nothing(), -station.stick_pct);
            stations += 1;
            inside += u32::from(
                (station.mismatch_deg.value - truth).abs() <= station.mismatch_deg.u() + 1e-9,
            );
        }
        assert_eq!(found.found_deg.len(), 9);
        if !found.out_of_reach.is_empty() {
            continue;
        }
        let promised = &found.predicted_deg;
        let truly = ailerons.worst_deg(&found.settings);
        kept += u32::from(truly <= promised.worst + promised.u);
        all += 1;
        cured += u32::from(ailerons.worst_deg(&found.settings) <= ailerons.bound_deg());
    }
    println!(
        "{cured} of {all} cured, {kept} promises kept; the interval holds {inside} of {stations} stations"
    );
    assert!(all >= 20, "{all}");
    assert!(f64::from(cured) >= 0.95 * f64::from(all));
    assert!(f64::from(kept) >= 0.95 * f64::from(all));
    assert!(f64::from(inside) >= 0.93 * f64::from(stations));
}

#[test]
fn a_second_round_goes_on_from_the_numbers_entered() {
    let mut random = Random::new(5);
    let ailerons = Ailerons::random(&mut random);
    let first = ailerons.film(&nothing(), &mut random);
    let second = ailerons.film(&first.settings, &mut random);
    assert_eq!(second.stages[0].settings, first.settings);
    let found = second.found_worst_deg.unwrap();
    assert!(found.value <= first.predicted_deg.worst + found.u().hypot(first.predicted_deg.u));
}
