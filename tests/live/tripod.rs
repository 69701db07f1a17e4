//! The sample clip on a tripod, against its truth.

use hingewise::commands::live_job::measured;
use hingewise::live::{LiveSession, LiveState, Zero};
use hingewise::motion::{FitOptions, fit};
use hingewise::response::respond;
use hingewise::stations::{HoldOptions, find_holds};

use super::film::{Seen, TRIPOD};
use crate::support::judge::{inside, rms};

/// Root mean square error of single frames, at most, degrees. Asked for was 0.1; reached were 0.074 at rest and 0.075
/// on the way, with single figures up to 0.20 off (`tests/notes/live.md`).
const SINGLE_RMS_DEG: f64 = 0.08;

/// Settled frames of the holds: stick, first and last frame, true deflections.
pub fn true_holds() -> Vec<(f64, [usize; 2], [f64; 2])> {
    let path = super::film::root("sample-frames/cards-true-stations.csv");
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows = reader.records().map(|row| {
        let row: Vec<f64> = row.unwrap().iter().map(|f| f.parse().unwrap()).collect();
        (row[0], [row[3] as usize, row[4] as usize], [row[1], row[2]])
    });
    rows.collect()
}

#[test]
fn every_surface_is_learned_in_ten_seconds_and_no_degrees_are_shown_before() {
    let mut session = TRIPOD.session();
    let mut learned_s = None;
    TRIPOD.play(
        &mut session,
        0.0,
        |_| (),
        |_, state| {
            for surface in &state.surfaces {
                assert!(surface.learned || surface.deflection_deg.is_none());
            }
            if learned_s.is_none() && state.surfaces.iter().all(|surface| surface.learned) {
                learned_s = state.time_s;
            }
        },
    );
    println!("learned after {learned_s:?} s");
    assert!(learned_s.unwrap() <= 10.0);
}

/// True mean deflections over the holds at neutral that a session has: with play each visit is elsewhere.
fn true_zero_deg(state: &LiveState) -> [f64; 2] {
    let neutral: Vec<_> = state
        .holds
        .iter()
        .filter(|hold| hold.stick_pct == 0.0)
        .collect();
    [0, 1].map(|side| {
        let means = neutral.iter().map(|hold| {
            let frames = (0..TRIPOD.truth_deg.len()).filter(|frame| {
                let time_s = TRIPOD.sightings.frames[*frame].time_s;
                [time_s, time_s + TRIPOD.again_s()]
                    .iter()
                    .any(|at_s| hold.time_s[0] - 1e-6 <= *at_s && *at_s <= hold.time_s[1] + 1e-6)
            });
            let truth: Vec<f64> = frames.map(|frame| TRIPOD.truth_deg[frame][side]).collect();
            truth.iter().sum::<f64>() / truth.len() as f64
        });
        means.sum::<f64>() / neutral.len() as f64
    })
}

#[test]
fn figures_of_single_frames_are_typically_within_a_tenth_of_a_degree_once_learned() {
    let mut session = TRIPOD.session();
    let (mut at_rest, mut moving, mut early) = (vec![], vec![], vec![]);
    let holds = true_holds();
    let mut missing = 0;
    for pass in 0..2 {
        TRIPOD.play(
            &mut session,
            pass as f64 * TRIPOD.again_s(),
            |_| (),
            |number, state| {
                // From neutral: before its holds, every figure has the same unknown zero.
                if state.zero != Zero::Holds {
                    return;
                }
                let zero_deg = true_zero_deg(state);
                let settled = holds
                    .iter()
                    .any(|(_, [a, b], _)| (*a..=*b).contains(&number));
                for (side, surface) in state.surfaces.iter().enumerate() {
                    let truth = TRIPOD.truth_deg[number][side] - zero_deg[side];
                    let Some(figure) = surface.deflection_deg else {
                        missing += usize::from(surface.learned);
                        continue;
                    };
                    let error = (figure.value - truth, figure.sd);
                    match (pass, settled) {
                        (0, _) => early.push(error),
                        (_, true) => at_rest.push(error),
                        (_, false) => moving.push(error),
                    }
                }
            },
        );
    }
    println!("{missing} figures missing");
    for (name, errors) in [
        ("first pass", &early),
        ("at rest", &at_rest),
        ("moving", &moving),
    ] {
        let worst = errors.iter().map(|it| it.0.abs()).fold(0.0, f64::max);
        println!(
            "{name}: {} figures, RMS {:.4}°, worst {worst:.4}°, {:.1} % inside ±",
            errors.len(),
            rms(errors.iter().map(|it| it.0)),
            100.0 * inside(errors.iter().copied()) as f64 / errors.len() as f64
        );
    }
    assert!(at_rest.len() > 300);
    assert!(missing <= 10, "{missing}");
    for errors in [&at_rest, &moving] {
        assert!(rms(errors.iter().map(|it| it.0)) <= SINGLE_RMS_DEG);
        let inside = inside(errors.iter().copied());
        // A normal error is inside two standard deviations in 95.4 %; frames of a rest err alike.
        assert!(inside as f64 >= 0.9 * errors.len() as f64);
    }
}

/// Errors of all holds that a session shows, with their standard deviations.
fn hold_errors(seen: &Seen, session: &LiveSession, from_s: f64) -> Vec<(f64, f64)> {
    let mut errors = vec![];
    for hold in &session.state().holds {
        let inside = |frame: &&usize| {
            let time_s = from_s + seen.sightings.frames[**frame].time_s;
            hold.time_s[0] - 1e-6 <= time_s && time_s <= hold.time_s[1] + 1e-6
        };
        let all: Vec<usize> = (0..seen.sightings.frames.len()).collect();
        let frames: Vec<&usize> = all.iter().filter(inside).collect();
        for (side, figure) in hold.figures.iter().enumerate() {
            let truth = frames.iter().map(|frame| seen.truth_deg[**frame][side]);
            let truth = truth.sum::<f64>() / frames.len() as f64;
            errors.push((
                figure.deflection_deg.value - truth,
                figure.deflection_deg.sd,
            ));
        }
    }
    errors
}

#[test]
fn every_hold_is_kept_with_its_station_and_is_inside_its_interval() {
    let mut session = TRIPOD.learned();
    let from_s = TRIPOD.again_s();
    TRIPOD.play(&mut session, from_s, |_| (), |_, _| ());
    // The clip ends in its last hold.
    session.finish().unwrap();
    let state = session.state();
    let found: Vec<f64> = state.holds.iter().map(|hold| hold.stick_pct).collect();
    let declared: Vec<f64> = true_holds().iter().map(|hold| hold.0).collect();
    println!(
        "{:?}",
        state
            .holds
            .iter()
            .map(|it| it.time_s.map(|t| t - from_s))
            .collect::<Vec<_>>()
    );
    assert_eq!(found, declared);
    let errors = hold_errors(&TRIPOD, &session, from_s);
    let inside = inside(errors.iter().copied());
    println!(
        "{} figures, RMS {:.4}°, mean ± {:.4}°, {inside} inside",
        errors.len(),
        rms(errors.iter().map(|it| it.0)),
        2.0 * errors.iter().map(|it| it.1).sum::<f64>() / errors.len() as f64
    );
    // Of 34 figures 32.4 are inside in the mean; fewer than 29 by chance once in a hundred times.
    assert!(inside >= 29, "{inside}");
}

/// Errors of station deflections, by stick and side, from the mean of the visits to neutral.
fn station_errors(stations: &[(f64, usize, f64)]) -> Vec<f64> {
    let holds = true_holds();
    let sides = [0, 1].into_iter().flat_map(|side| {
        let found: Vec<f64> = (stations.iter())
            .filter(|it| it.1 == side)
            .map(|it| it.2)
            .collect();
        assert_eq!(found.len(), holds.len());
        let errors = found.iter().zip(&holds).filter(|(_, hold)| hold.0 != 0.0);
        errors
            .map(|(found, hold)| found - hold.2[side])
            .collect::<Vec<_>>()
    });
    sides.collect()
}

#[test]
fn a_finished_session_is_as_good_as_the_clip() {
    let mut session = TRIPOD.learned();
    TRIPOD.play(&mut session, TRIPOD.again_s(), |_| (), |_, _| ());
    let record = session.finish().unwrap();
    let (measurement, _) = measured(&record).unwrap();
    let text = serde_json::to_value(&measurement).unwrap();
    assert_eq!(text["source"], "live");
    let live: Vec<(f64, usize, f64)> = (measurement.surfaces.iter().enumerate())
        .flat_map(|(side, surface)| {
            let stations = surface.stations.iter();
            stations.map(move |it| (it.stick_pct, side, it.deflection_deg.value))
        })
        .collect();
    let (sightings, model) = (&TRIPOD.sightings, &TRIPOD.model);
    let options = FitOptions::default().for_pictures(&sightings.overview);
    let motion = fit(sightings, model, &TRIPOD.profile, &options, &mut vec![]).unwrap();
    let hold_options = HoldOptions::default();
    let holds = find_holds(&motion, sightings, model, &hold_options, &mut vec![]).unwrap();
    let responses = respond(&motion, &holds, model, &mut vec![]).unwrap();
    let clip: Vec<(f64, usize, f64)> = (responses.surfaces.iter().enumerate())
        .flat_map(|(side, surface)| {
            let stations = surface.stations.iter();
            stations.map(move |it| (it.stick_pct, side, it.deflection_deg.value))
        })
        .collect();
    let (of_live, of_clip) = (rms(station_errors(&live)), rms(station_errors(&clip)));
    println!("RMS of stations: live {of_live:.4}°, clip {of_clip:.4}°");
    assert!(of_live <= 1.2 * of_clip);
}
