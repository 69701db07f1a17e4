//! What is promised holds.

use super::fleet::{Aircraft, STEPS_PCT};

const AIRCRAFT: u64 = 300;

/// How often a truth stays within what was told.
#[derive(Default)]
struct Kept {
    all: u32,
    kept: u32,
}

impl Kept {
    fn add(&mut self, truth_deg: f64, told_deg: f64) {
        self.all += 1;
        self.kept += u32::from(truth_deg <= told_deg);
    }

    fn pct(&self) -> f64 {
        100.0 * f64::from(self.kept) / f64::from(self.all)
    }
}

/// The tolerance of which a promise says "surely within", deg.
const TOLERANCE_DEG: f64 = 0.3;

/// Worst, root mean square, common travel and "surely within" over a fleet of one step size.
fn promises(aircraft_count: u64, step_pct: f64) -> [Kept; 4] {
    let [mut worst, mut rms, mut common, mut within] = [(); 4].map(|()| Kept::default());
    for seed in 0..aircraft_count {
        let mut aircraft = Aircraft::unlike(seed, step_pct);
        let nothing = aircraft.nothing();
        let correction = aircraft.round(&nothing);
        let truth = aircraft.truth(&correction.settings);
        let told = &correction.predicted_deg;
        worst.add(truth.worst_deg, told.worst);
        rms.add(truth.rms_deg, told.rms);
        if told.worst <= TOLERANCE_DEG {
            within.add(truth.worst_deg, TOLERANCE_DEG);
        }
        let Some(end) = correction.out_of_reach.first() else {
            continue;
        };
        let mut reduced = nothing.clone();
        for end in &correction.out_of_reach {
            let side = usize::from(end.stick_pct > 0.0);
            reduced.end_points_pct[side] = end.reference_end_point_pct;
        }
        let truth = aircraft.truth_with(&reduced, &end.common_settings, [-100.0, 100.0]);
        common.add(truth.worst_deg, end.common_worst_deg);
    }
    println!(
        "step {step_pct} %: worst {:.1} %, rms {:.1} %, common travel {:.1} % of {}, surely within \
         {:.1} % of {}",
        worst.pct(),
        rms.pct(),
        common.pct(),
        common.all,
        within.pct(),
        within.all
    );
    [worst, rms, common, within]
}

#[test]
fn at_most_is_true_for_most_of_a_small_fleet() {
    // 60 aircraft: 95 % are 57 ± 1.7.
    for figure in promises(60, 1.0) {
        assert!(figure.pct() >= 88.0, "{}", figure.pct());
    }
}

#[test]
#[ignore = "minutes: 900 aircraft"]
fn at_most_is_true_for_nineteen_of_twenty() {
    let fleets = STEPS_PCT.map(|step_pct| promises(AIRCRAFT, step_pct));
    for [worst, rms, common, within] in fleets {
        assert!((94.0..=98.0).contains(&worst.pct()), "{}", worst.pct());
        // These bounds are more cautious than they need be.
        assert!(rms.pct() >= 94.0 && common.pct() >= 94.0);
        assert!(within.pct() >= 97.5);
    }
}
