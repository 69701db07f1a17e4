//! Neutral against a level position: sub-trim, end points and curve on absolute angles.

use hingewise::matching::{Correction, Stage};
use hingewise::measured::Measured;
use hingewise::model_file::{MatchMotion, Settings};
use hingewise::response::{LevelSurface, LevelZero};
use rayon::prelude::*;

use super::fleet::{Aircraft, STEPS_PCT, same_numbers};
use crate::matching::world::{FOLLOWER, REFERENCE};
use crate::support::random::Random;

/// Aircraft for each step.
const AIRCRAFT: u64 = 100;
/// How far the follower's neutral is off, deg.
const OFFSET_DEG: [f64; 2] = [-3.0, 3.0];
/// How well the level zero says it: one standard deviation, deg.
const LEVEL_SD_DEG: [f64; 2] = [0.01, 0.06];

/// What a level zero says of a follower whose neutral is truly so far above the reference's.
fn level(true_deg: f64, sd_deg: f64, random: &mut Random) -> LevelZero {
    let surface = |name: &str, neutral_deg| LevelSurface {
        name: name.into(),
        neutral_deg,
    };
    // Both stand off the level position; only their difference is known well.
    let common_deg = random.between(-2.0, 2.0);
    let told_deg = common_deg + true_deg + sd_deg * random.normal();
    let wide = 0.3_f64.powi(2);
    LevelZero {
        shown_by: "level.mp4".into(),
        surfaces: vec![
            surface(REFERENCE, Measured::new(common_deg, 0.3)),
            surface(FOLLOWER, Measured::new(told_deg, 0.3)),
        ],
        covariance_deg2: vec![
            vec![wide, wide - 0.5 * sd_deg * sd_deg],
            vec![wide - 0.5 * sd_deg * sd_deg, wide],
        ],
    }
}

/// An aircraft whose follower stands off at neutral, and what was matched.
struct Case {
    aircraft: Aircraft,
    offset_deg: f64,
    sd_deg: f64,
    correction: Correction,
}

impl Case {
    fn new(mut aircraft: Aircraft, offset_deg: f64, seed: u64) -> Self {
        let mut random = Random::new(seed ^ 0x1E7E1);
        let sd_deg = random.between(LEVEL_SD_DEG[0], LEVEL_SD_DEG[1]);
        let nothing = aircraft.nothing();
        let mut clip = aircraft.film(&nothing);
        clip.level = Some(level(offset_deg, sd_deg, &mut random));
        let (correction, _) = aircraft.matched(&clip, &nothing);
        Self {
            aircraft,
            offset_deg,
            sd_deg,
            correction: correction.unwrap(),
        }
    }

    /// What truly is between the sides at the reference's stick with numbers entered at the follower, deg.
    fn apart_deg(&self, settings: &Settings, stick_pct: f64) -> f64 {
        let aircraft = &self.aircraft;
        let nothing = aircraft.nothing();
        aircraft.follower_from_found_neutral_deg(settings, stick_pct) + self.offset_deg
            - aircraft.reference_deg(&nothing, stick_pct)
    }

    fn worst_deg(&self, settings: &Settings) -> f64 {
        let sticks = (-200..=200).map(|i| 0.5 * f64::from(i));
        let apart = sticks.map(|stick| self.apart_deg(settings, stick).abs());
        apart.fold(0.0, f64::max)
    }
}

fn offset_deg(seed: u64) -> f64 {
    Random::new(seed ^ 0x0FF5E7).between(OFFSET_DEG[0], OFFSET_DEG[1])
}

#[test]
fn sub_trim_ends_and_curve_together_cure_sides_that_stand_off_at_neutral() {
    for step_pct in STEPS_PCT {
        let judged = (0..AIRCRAFT).into_par_iter().filter_map(|seed| {
            let mut aircraft = Aircraft::unlike(seed, step_pct);
            if seed % 3 == 0 {
                aircraft.motion = MatchMotion::Opposite;
            }
            let case = Case::new(aircraft, offset_deg(seed), seed);
            let correction = &case.correction;
            if !correction.out_of_reach.is_empty() {
                return None;
            }
            let numbers = &correction.settings;
            let found = correction.neutral_deg.unwrap();
            let seen = (found.value - case.offset_deg).abs() <= found.u();
            let worst_deg = case.worst_deg(numbers);
            let held = worst_deg <= correction.predicted_deg.at_most_deg();
            // One step of sub-trim at neutral, and what is not known of the level position.
            let one_step = Settings {
                sub_trim_pct: numbers.sub_trim_pct + step_pct,
                ..numbers.clone()
            };
            let neutral_deg = case.apart_deg(numbers, 0.0);
            let step_deg = (case.apart_deg(&one_step, 0.0) - neutral_deg).abs();
            let right = neutral_deg.abs() <= step_deg + 2.0 * case.sd_deg.hypot(0.03);
            assert!(
                worst_deg < 0.5 * case.worst_deg(&case.aircraft.nothing()) + 0.1,
                "{seed}"
            );
            Some([held, right, seen])
        });
        let judged: Vec<[bool; 3]> = judged.collect();
        let all = judged.len() as u32;
        let count = |what: usize| judged.iter().filter(|one| one[what]).count() as u32;
        let [held, right, seen] = [count(0), count(1), count(2)];
        println!(
            "step {step_pct} %: of {all}, the bound holds in {held}, sub-trim is right to its step in \
             {right}, neutral as found is inside its ± in {seen}"
        );
        assert!(all > 40);
        // 95 % and three standard deviations of a share of 60.
        for count in [held, right, seen] {
            assert!(
                f64::from(count) >= 0.87 * f64::from(all),
                "{count} of {all}"
            );
        }
    }
}

#[test]
fn sides_that_are_alike_and_level_get_no_numbers() {
    for step_pct in STEPS_PCT {
        let changed = (0..AIRCRAFT).into_par_iter().filter(|&seed| {
            let case = Case::new(Aircraft::alike(seed, step_pct), 0.0, seed);
            !same_numbers(&case.correction.settings, &case.aircraft.nothing())
        });
        let changed = changed.count() as u64;
        println!("step {step_pct} %: {changed} of {AIRCRAFT} alike and level get numbers");
        assert!(changed * 50 <= AIRCRAFT, "{step_pct}: {changed}");
    }
}

#[test]
fn the_neutral_alone_is_cured_by_sub_trim_first_and_is_no_cause() {
    (0..20_u64).into_par_iter().for_each(|seed| {
        let case = Case::new(Aircraft::alike(seed, 0.5), 1.5, seed);
        let stages: Vec<Stage> = case.correction.stages.iter().map(|at| at.stage).collect();
        assert_eq!(stages[..2], [Stage::AsFound, Stage::SubTrim], "{seed}");
        // The linkages are the same: a rod of another length is no reason to move a servo.
        assert_eq!(case.correction.hand_work, None, "{seed}");
        let neutral = case
            .correction
            .found_deg
            .iter()
            .find(|at| at.stick_pct == 0.0);
        assert!((neutral.unwrap().mismatch_deg.value - 1.5).abs() < 0.3);
    });
}

#[test]
fn without_a_level_zero_the_cost_of_levelling_later_is_stated_and_holds() {
    let mut held = 0;
    for seed in 0..AIRCRAFT {
        let mut aircraft = Aircraft::unlike(seed, 0.1);
        let nothing = aircraft.nothing();
        let first = aircraft.round(&nothing);
        assert_eq!(first.neutral_deg, None);
        let cost = first.levelling_deg_per_deg.unwrap();
        // Levelled by sub-trim afterwards, each side from its neutral again.
        let levelled = Settings {
            sub_trim_pct: 2.0,
            ..first.settings.clone()
        };
        let turned_deg = (aircraft.follower_from_found_neutral_deg(&levelled, 0.0)
            - aircraft.follower_from_found_neutral_deg(&first.settings, 0.0))
        .abs();
        let by_deg =
            aircraft.truth(&levelled).worst_deg - aircraft.truth(&first.settings).worst_deg;
        held += u64::from(by_deg <= 1.1 * cost * turned_deg + 0.02);
    }
    println!("levelling later costs at most what is stated in {held} of {AIRCRAFT}");
    assert!(held * 20 >= 19 * AIRCRAFT, "{held}");
}
