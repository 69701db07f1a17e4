//! Slow sweeps are measured where they pass stations, fast ones refused.

use super::film::{Error, LOGGING, measured, slow_sweep, station_errors, uneven};
use crate::support::filming::Filming;
use crate::support::{aircraft, filming};
use hingewise::stations::Approach;

#[test]
fn a_slow_sweep_tells_the_response_over_the_whole_travel() {
    let mut all = vec![];
    for seed in 0..8 {
        let filming = Filming {
            seed,
            stick: slow_sweep(25.0 + 4.0 * seed as f64),
            hand: if seed % 2 == 0 { 0.0 } else { 1.0 },
            ..filming::tripod()
        };
        let measured = measured(&uneven(seed), &filming, LOGGING);
        let timing = measured.holds.log.as_ref().unwrap();
        for (found, built) in timing.surfaces.iter().zip(&measured.film.aircraft.surfaces) {
            let true_s = LOGGING.clock_offset_s - built.servo.lag_s;
            let error_s = found.offset_less_lag_s.value - true_s;
            let doubt_s = found.offset_less_lag_s.u();
            println!("seed {seed}: offset less lag {error_s:+.4} ± {doubt_s:.4} s");
            // A servo's dead band delays every turn by its own way.
            let dead_s = built.servo.dead_band_pct / (25.0 + 4.0 * seed as f64);
            assert!(error_s.abs() < 0.005 + dead_s, "seed {seed}: {error_s}");
        }
        assert_eq!(measured.warnings, [], "seed {seed}");
        let errors = station_errors(&measured);
        let passed: Vec<f64> = measured.responses.surfaces[0]
            .stations
            .iter()
            .filter(|station| station.approach == Approach::Rising)
            .map(|station| station.stick_pct)
            .collect();
        for step in -7..=8 {
            let stick_pct = 12.5 * f64::from(step);
            assert!(
                passed.contains(&stick_pct),
                "seed {seed}: {stick_pct} in {passed:?}"
            );
        }
        all.extend(errors);
    }
    let moving: Vec<&Error> = all.iter().filter(|error| !error.is_hold).collect();
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let squares: Vec<f64> = values.map(|value| value * value).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let rms_deg = rms(&mut moving.iter().map(|error| error.error_deg));
    let of_claims = rms(&mut moving.iter().map(|error| error.error_deg / error.sd_deg));
    let inside = moving
        .iter()
        .filter(|e| e.error_deg.abs() <= 2.0 * e.sd_deg)
        .count();
    let covered = inside as f64 / moving.len() as f64;
    println!(
        "{} passages: {rms_deg:.4}°, {of_claims:.2} of what is claimed, {covered:.3} inside",
        moving.len()
    );
    for error in moving
        .iter()
        .filter(|error| error.error_deg.abs() > 3.0 * error.sd_deg)
    {
        println!(
            "{} {:+.1} {:?}: {:+.3} of {:.3}",
            error.surface, error.stick_pct, error.approach, error.error_deg, error.sd_deg
        );
    }
    // The figure to reach in every frame of a hand-held sweep.
    assert!(rms_deg < 0.10, "{rms_deg}");
    assert!((0.7..1.3).contains(&of_claims), "{of_claims}");
    assert!(covered > 0.93, "{covered}");
}

#[test]
fn unequal_lag_is_no_mismatch() {
    let mut built = aircraft::plain(5);
    // One linkage on both sides, so that only the servos differ.
    built.surfaces[1].linkage = built.surfaces[0].linkage;
    built.surfaces[1].servo = built.surfaces[0].servo;
    built.surfaces[0].servo.lag_s = 0.02;
    built.surfaces[1].servo.lag_s = 0.10;
    let filming = Filming {
        stick: slow_sweep(40.0),
        ..filming::tripod()
    };
    let measured = measured(&built, &filming, LOGGING);
    let [left, right] = [0, 1].map(|surface| &measured.responses.surfaces[surface].stations);
    let mut compared = 0;
    for station in left {
        let Some(other) = right.iter().find(|other| other.hold == station.hold) else {
            continue;
        };
        let mismatch_deg = other.deflection_deg.value - station.deflection_deg.value;
        let sd_deg = other.deflection_deg.sd.hypot(station.deflection_deg.sd);
        // Left in, 80 ms at 40 %/s would be 3.2 % of the stick, some 0.8°.
        assert!(
            mismatch_deg.abs() < 3.5 * sd_deg && mismatch_deg.abs() < 0.2,
            "{:+.1} % {:?}: {mismatch_deg:.3} of {sd_deg:.3}",
            station.stick_pct,
            station.approach
        );
        compared += 1;
    }
    assert!(compared >= 30, "{compared}");
}

#[test]
fn a_fast_sweep_is_told_and_not_measured() {
    let filming = Filming {
        stick: slow_sweep(160.0),
        ..filming::tripod()
    };
    let measured = measured(&aircraft::plain(3), &filming, LOGGING);
    assert_eq!(measured.holds.sweeps.passages, []);
    let told = measured
        .warnings
        .iter()
        .find(|w| w.code == "sweep-too-fast")
        .unwrap();
    assert!(told.text.contains("160 %/s"), "{}", told.text);
    assert!(told.text.contains("only +0 to +0 %"), "{}", told.text);
}

#[test]
fn a_servo_at_its_largest_speed_is_told_and_gives_no_wrong_station() {
    for slew_pct_per_s in [30.0, 45.0] {
        let mut built = aircraft::plain(3);
        built.surfaces[1].servo.slew_pct_per_s = slew_pct_per_s;
        let filming = Filming {
            stick: slow_sweep(50.0),
            ..filming::tripod()
        };
        let measured = measured(&built, &filming, LOGGING);
        let codes = ["servo-at-limit", "stick-not-followed"];
        let mut warnings = measured.warnings.iter();
        let told = warnings
            .find(|warning| codes.contains(&warning.code.as_str()))
            .unwrap();
        println!("{slew_pct_per_s} %/s: {}", told.text);
        assert!(told.text.contains("right"), "{}", told.text);
        for error in station_errors(&measured) {
            assert!(
                error.error_deg.abs() < 4.0 * error.sd_deg.max(0.02),
                "surface {} at {:+.1}: {:.3} of {:.3}",
                error.surface,
                error.stick_pct,
                error.error_deg,
                error.sd_deg
            );
        }
    }
}

#[test]
fn nothing_else_is_told_of_a_slow_servo() {
    for seed in 0..8 {
        let mut built = aircraft::plain(seed);
        built.surfaces[1].servo.slew_pct_per_s = 30.0;
        let filming = Filming {
            stick: slow_sweep(50.0),
            seed,
            ..filming::tripod()
        };
        let measured = measured(&built, &filming, LOGGING);
        let warnings = measured.warnings.iter();
        let codes: Vec<&str> = warnings.map(|warning| warning.code.as_str()).collect();
        assert_eq!(codes, ["servo-at-limit"], "seed {seed}");
    }
}
