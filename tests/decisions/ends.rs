//! Ends and stops: nothing is promised beyond what was measured, and what lies beyond is not forgotten.

use hingewise::measured::Measured;
use hingewise::response::EarlyStop;
use hingewise::warning::Warning;

use super::fleet::Aircraft;
use crate::matching::world::even_points;

const AIRCRAFT: u64 = 60;
/// Up to +75 % only: the upper end was not filmed.
const CUT_PCT: [f64; 15] = [
    0.0, 25.0, 50.0, 75.0, 50.0, 25.0, 0.0, -25.0, -50.0, -75.0, -100.0, -75.0, -50.0, -25.0, 0.0,
];

#[test]
fn an_end_that_was_not_measured_gets_the_last_correction_and_no_promise() {
    let (mut better, mut kept, mut all) = (0, 0, 0);
    for seed in 0..AIRCRAFT {
        let mut aircraft = Aircraft::unlike(seed, 1.0);
        aircraft.radio.curve_points_pct = Some(even_points(9));
        aircraft.order_pct = CUT_PCT.into();
        let nothing = aircraft.nothing();
        let clip = aircraft.film(&nothing);
        let (correction, warnings) = aircraft.matched(&clip, &nothing);
        let correction = correction.unwrap();
        assert_eq!(correction.measured_pct, Some([-100.0, 75.0]));
        assert!(
            warnings
                .iter()
                .any(|warning| warning.code() == "measured-in-part")
        );
        let measured = [-100.0, 75.0];
        let truth = aircraft.truth_with(&nothing, &correction.settings, measured);
        kept += u32::from(truth.worst_deg <= correction.predicted_deg.worst);
        // Dropping the correction beyond the last measured station is what is held against.
        let mut dropped = correction.settings.clone();
        dropped.curve_pct[8] = 0.0;
        let beyond = [75.0, 100.0];
        let carried = aircraft.truth_with(&nothing, &correction.settings, beyond);
        let without = aircraft.truth_with(&nothing, &dropped, beyond);
        better += u32::from(carried.worst_deg <= without.worst_deg + 1e-9);
        all += 1;
    }
    println!("carried on is no worse in {better} of {all}, {kept} promises kept");
    assert!(better * 10 >= all * 8);
    assert!(kept * 100 >= all * 88);
}

#[test]
fn what_is_known_of_a_surface_that_stops_early_ends_at_the_station_before() {
    let (mut kept, mut all) = (0, 0);
    for seed in 0..AIRCRAFT {
        let mut aircraft = Aircraft::alike(seed, 1.0);
        let nothing = aircraft.nothing();
        let mut clip = aircraft.film(&nothing);
        // The follower stops somewhere between +75 and +100 %, and rests there.
        let stop_deg = aircraft.follower.deg(80.0) - aircraft.follower.deg(0.0);
        let last = clip.surfaces[1]
            .stations
            .iter_mut()
            .filter(|at| at.stick_pct == 100.0);
        for station in last {
            station.deflection_deg.value = stop_deg;
        }
        clip.surfaces[1].health.early_stop = vec![EarlyStop {
            stick_pct: 100.0,
            deflection_deg: Measured::new(stop_deg, 0.02),
        }];
        let correction = aircraft.matched(&clip, &nothing).0.unwrap();
        assert_eq!(correction.measured_pct, Some([-100.0, 75.0]));
        let truth = aircraft.truth_with(&nothing, &correction.settings, [-100.0, 75.0]);
        all += 1;
        kept += u32::from(truth.worst_deg <= correction.predicted_deg.worst);
    }
    println!("with an early stop {kept} of {all} promises kept");
    assert!(kept * 100 >= all * 88);
}

#[test]
fn a_follower_that_falls_short_is_offered_more_travel_and_the_sides_exchanged() {
    let [mut told, mut reached, mut exchanged, mut kept, mut all] = [0; 5];
    for seed in 0..AIRCRAFT {
        let mut aircraft = Aircraft::alike(seed, 1.0);
        aircraft.reference = aircraft.reference.scaled(1.03 + 0.001 * (seed % 40) as f64);
        let nothing = aircraft.nothing();
        let correction = aircraft.round(&nothing);
        if correction.out_of_reach.is_empty() {
            continue;
        }
        all += 1;
        for end in &correction.out_of_reach {
            let Some(end_point_pct) = end.follower_end_point_pct else {
                continue;
            };
            told += 1;
            let mut more = nothing.clone();
            more.end_points_pct[usize::from(end.stick_pct > 0.0)] = end_point_pct;
            let missing_deg = aircraft.reference_deg(&nothing, end.stick_pct).abs()
                - aircraft.follower_deg(&more, end.stick_pct).abs();
            reached += u32::from(missing_deg < 0.1);
        }
        if let Some(other) = &correction.exchanged {
            exchanged += 1;
            let truth = aircraft.truth_with(&other.settings, &nothing, [-100.0, 100.0]);
            kept += u32::from(truth.worst_deg <= other.worst_deg);
        }
    }
    println!(
        "of {all} that fall short {told} ends are told how much more, {reached} reach then; {exchanged} \
         may be exchanged, {kept} of those promises kept"
    );
    assert!(told > 20 && reached * 10 >= told * 8);
    assert!(exchanged > 10 && kept * 100 >= exchanged * 85);
}
