//! Synthetic films: whether the ± of the holds covers the truth.

use hingewise::live::Zero;

use super::film::{again_s, play, session};
use crate::support::aircraft;
use crate::support::corner_errors::{CONSTANT_PX, EDGE_SHIFT_PX, PLACE_PX};
use crate::support::filming::{self, Filming, StickPlan};
use crate::support::judge::{inside, rms};
use crate::support::random::Random;
use crate::support::world::{Film, observe};

/// A film of one random aircraft whose holds last long enough for a person who listens.
fn film(kind: Filming, seed: u64) -> Film {
    let mut filming = Filming {
        seed,
        frame_rate: 12.0,
        stick: StickPlan::Holds {
            stations_pct: [0, 50, 100, 50, 0, -50, -100, -50, 0]
                .map(f64::from)
                .to_vec(),
            hold_s: 1.1,
            ramp_s: 0.4,
        },
        ..kind
    };
    filming.noise.edge_shift_px = EDGE_SHIFT_PX * Random::new(seed ^ 0xED6E).normal();
    filming.noise.constant_px = CONSTANT_PX;
    if filming.hand == 0.0 {
        filming.noise.place_px = PLACE_PX;
    }
    observe(&aircraft::random(seed), &filming)
}

/// Errors and standard deviations of all holds away from neutral, and how many holds were missed.
fn errors_of(film: &Film) -> (Vec<(f64, f64)>, usize) {
    let mut session = session(&film.model, &film.profile);
    let from_s = again_s(&film.sightings);
    session.keep_by_itself(false);
    play(&film.sightings, &mut session, 0.0, |_| (), |_, _| ());
    session.keep_by_itself(true);
    play(&film.sightings, &mut session, from_s, |_| (), |_, _| ());
    if session.finish().is_err() {
        return (vec![], film.truth.holds.len());
    }
    let state = session.state();
    if state.zero != Zero::Holds {
        return (vec![], film.truth.holds.len());
    }
    let truth_deg = |time_s: [f64; 2], surface: usize| {
        let frames = film.truth.frames.iter().filter(|frame| {
            let at_s = from_s + frame.time_s;
            (time_s[0] - 1e-6..=time_s[1] + 1e-6).contains(&at_s)
        });
        let all: Vec<f64> = frames.map(|frame| frame.deflection_deg[surface]).collect();
        all.iter().sum::<f64>() / all.len() as f64
    };
    let mut errors = vec![];
    for surface in 0..film.aircraft.surfaces.len() {
        let name = &film.aircraft.surfaces[surface].name;
        let neutral = state.holds.iter().filter(|hold| hold.stick_pct == 0.0);
        let neutral: Vec<f64> = neutral
            .map(|hold| truth_deg(hold.time_s, surface))
            .collect();
        let zero_deg = neutral.iter().sum::<f64>() / neutral.len() as f64;
        for hold in state.holds.iter().filter(|hold| hold.stick_pct != 0.0) {
            let Some(figure) = hold.figures.iter().find(|it| it.surface == *name) else {
                continue;
            };
            let truth = truth_deg(hold.time_s, surface) - zero_deg;
            let figure = figure.deflection_deg;
            errors.push((figure.value - truth, figure.sd));
        }
    }
    (
        errors,
        film.truth.holds.len().saturating_sub(state.holds.len()),
    )
}

#[test]
fn intervals_of_holds_cover_the_truth() {
    for (name, kind) in [("tripod", filming::tripod()), ("hand", filming::handheld())] {
        let (mut errors, mut missed) = (vec![], 0);
        for seed in 0..40 {
            let (of_film, missed_in_film) = errors_of(&film(kind.clone(), seed));
            errors.extend(of_film);
            missed += missed_in_film;
        }
        let covered = inside(errors.iter().copied()) as f64 / errors.len() as f64;
        println!(
            "{name}: {} figures, RMS {:.4}°, {:.1} % inside, {missed} holds missed",
            errors.len(),
            rms(errors.iter().map(|it| it.0)),
            100.0 * covered
        );
        // A normal error is inside two standard deviations in 95.4 %.
        assert!((0.93..=0.985).contains(&covered), "{name}: {covered}");
        // Of some 360; 13 were missed on a tripod.
        assert!(missed <= 18, "{name}: {missed}");
    }
}
