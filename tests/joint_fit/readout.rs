//! Cameras that read their picture line by line.

use hingewise::clip::Lines;
use hingewise::motion::{FitOptions, Motion, WeightedSum};

use super::measured_with;
use crate::support::aircraft;
use crate::support::filming::{self, CornerNoise, Filming, StickPlan};
use crate::support::judge::{errors_of, rms};
use crate::support::world::{Film, observe};

const SEEDS: std::ops::Range<u64> = 0..4;

/// Sweeps of 40°/s at most, from a hand that is `hand` times as lively as a calm one.
fn film(seed: u64, hand: f64, readout_s: f64) -> Film {
    let filming = Filming {
        seed,
        hand,
        readout_s,
        stick: StickPlan::Sweep {
            period_s: 4.0,
            duration_s: 8.0,
        },
        noise: CornerNoise::white(0.02),
        ..filming::tripod()
    };
    observe(&aircraft::plain(seed), &filming)
}

/// Measured with a readout allowed for, or with all lines taken as read at once.
fn motion(film: &Film, allowed: bool) -> Motion {
    let defaults = FitOptions::default();
    let readout_sd_s = if allowed { defaults.readout_sd_s } else { 0.0 };
    let options = FitOptions {
        readout_sd_s,
        ..defaults
    };
    measured_with(film, options).unwrap().0
}

/// Errors and claimed standard deviations of every fifth frame, against the mean of all.
fn frame_errors_deg(film: &Film, motion: &Motion) -> Vec<(f64, f64)> {
    let of_surface = |surface: usize| {
        let seen = |frame: &usize| motion.frames[*frame].deflections[surface].is_some();
        let frames: Vec<usize> = (0..motion.frames.len()).filter(seen).collect();
        let share = -1.0 / frames.len() as f64;
        let mean = frames.iter().map(|frame| (*frame, surface, share));
        let single = frames.iter().step_by(5);
        let sums: Vec<WeightedSum> = single
            .map(|frame| mean.clone().chain([(*frame, surface, 1.0)]).collect())
            .collect();
        errors_of(film, motion, &sums)
    };
    (0..film.aircraft.surfaces.len())
        .flat_map(of_surface)
        .collect()
}

/// Root mean square error over the films, in degrees and in claimed standard deviations.
fn rms_of_films(hand: f64, readout_s: f64, allowed: bool) -> (f64, f64) {
    let errors: Vec<(f64, f64)> = SEEDS
        .map(|seed| film(seed, hand, readout_s))
        .flat_map(|film| frame_errors_deg(&film, &motion(&film, allowed)))
        .collect();
    (
        rms(errors.iter().map(|(error, _)| *error)),
        rms(errors.iter().map(|(error, sd)| error / sd)),
    )
}

#[test]
fn single_frames_of_a_sweep_are_as_good_as_if_all_lines_were_read_at_once() {
    for hand in [1.0, 3.0] {
        let (at_once_deg, _) = rms_of_films(hand, 0.0, true);
        // The first line is the uppermost one, or the lowest if the camera was upside down.
        for readout_s in [0.02, -0.03] {
            let (error_deg, of_claims) = rms_of_films(hand, readout_s, true);
            let (not_allowed_deg, _) = rms_of_films(hand, readout_s, false);
            println!(
                "hand {hand}, {readout_s} s: {error_deg:.3}°, {of_claims:.2} of claims; read at \
                 once {at_once_deg:.3}°; taken as if {not_allowed_deg:.3}°"
            );
            assert!(error_deg < 1.15 * at_once_deg);
            assert!(not_allowed_deg > 1.5 * error_deg);
            assert!(of_claims < 1.2, "{of_claims}");
        }
    }
}

#[test]
fn the_readout_itself_is_found() {
    let mut in_sds = vec![];
    for seed in SEEDS {
        for (hand, readout_s) in [(0.0, 0.02), (1.0, -0.03), (3.0, 0.008)] {
            let found = motion(&film(seed, hand, readout_s), true)
                .readout_s
                .unwrap();
            let error_s = found.value - readout_s;
            assert!(error_s.abs() < 0.003, "seed {seed}, hand {hand}: {found:?}");
            in_sds.push(error_s / found.sd);
        }
        for hand in [0.0, 3.0] {
            let found = motion(&film(seed, hand, 0.0), true).readout_s;
            assert_eq!(found, None, "seed {seed}, hand {hand}");
        }
    }
    // Twelve figures: their RMS scatters by a fifth.
    let of_claims = rms(in_sds);
    println!("readout: {of_claims:.2} of claims");
    assert!((0.4..1.6).contains(&of_claims), "{of_claims}");
}

/// Some phones write frame times in such steps (seen in a clip of other origin).
const COARSE_STEP_S: f64 = 0.008;

#[test]
fn frame_times_in_coarse_steps_do_not_hide_the_readout() {
    for seed in SEEDS {
        let mut film = film(seed, 1.0, 0.02);
        for frame in &mut film.sightings.frames {
            frame.time_s = (frame.time_s / COARSE_STEP_S).round() * COARSE_STEP_S;
        }
        let found = motion(&film, true).readout_s.unwrap();
        let error_s = found.value - 0.02;
        assert!(error_s.abs() < 0.003, "seed {seed}: {found:?}");
    }
}

#[test]
fn the_lines_of_a_clip_filmed_upright_are_its_columns() {
    for seed in SEEDS {
        let mut on_its_side = film(seed, 1.0, 0.02).filming;
        on_its_side.lines = Lines::Columns;
        let film = observe(&aircraft::plain(seed), &on_its_side);
        let found = motion(&film, true).readout_s.unwrap();
        assert!((found.value - 0.02).abs() < 0.003, "seed {seed}: {found:?}");
    }
}
