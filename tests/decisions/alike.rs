//! No numbers where there is nothing to cure.

use super::fleet::{Aircraft, STEPS_PCT, same_numbers};

/// Aircraft for each step.
const AIRCRAFT: u64 = 100;
/// So much may a second round make worse, deg.
const WORSE_DEG: f64 = 0.02;

#[test]
fn sides_that_are_alike_get_numbers_in_one_of_fifty_at_most() {
    for step_pct in STEPS_PCT {
        let mut moved = 0;
        for seed in 0..AIRCRAFT {
            let mut aircraft = Aircraft::alike(seed, step_pct);
            let nothing = aircraft.nothing();
            let found = aircraft.round(&nothing);
            moved += u64::from(!same_numbers(&found.settings, &nothing));
        }
        println!("step {step_pct} %: {moved} of {AIRCRAFT} alike get numbers");
        assert!(moved * 50 <= AIRCRAFT, "step {step_pct}: {moved}");
    }
}

#[test]
fn a_second_round_makes_no_aircraft_worse() {
    for step_pct in STEPS_PCT {
        let [mut all, mut changed, mut worse, mut better] = [0; 4];
        let mut by_deg = 0.0_f64;
        for seed in 0..AIRCRAFT {
            let mut aircraft = Aircraft::unlike(seed, step_pct);
            let nothing = aircraft.nothing();
            let first = aircraft.round(&nothing);
            if !first.out_of_reach.is_empty() {
                continue;
            }
            let second = aircraft.round(&first.settings);
            let by = aircraft.truth(&second.settings).worst_deg
                - aircraft.truth(&first.settings).worst_deg;
            all += 1;
            changed += u32::from(!same_numbers(&second.settings, &first.settings));
            worse += u32::from(by > WORSE_DEG);
            better += u32::from(by < -WORSE_DEG);
            by_deg = by_deg.max(by);
        }
        println!(
            "step {step_pct} %: of {all} a second round changes {changed}, {worse} for the worse \
             (by {by_deg:.3}° at most), {better} for the better"
        );
        assert!(all > 40);
        assert_eq!(worse, 0, "step {step_pct}");
    }
}
