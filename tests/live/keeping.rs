//! What is kept and counted when the person steps in: neutral set by hand, a hold taken back.

use hingewise::commands::live_job::measured;
use hingewise::live::{LiveSession, LiveState, Zero};
use hingewise::tags::SightedFrame;

use super::film::TRIPOD;
use super::tripod::true_holds;

/// Frames of a rest that is made longer follow each other after so long, s.
const STEP_S: f64 = 1.0 / 30.0;

/// Feeds one frame of the clip for some time, changed by a function, and returns the last state.
fn stay(
    session: &mut LiveSession,
    number: usize,
    for_s: f64,
    change: impl Fn(&mut SightedFrame),
) -> LiveState {
    let begun_s = session.state().time_s.unwrap();
    let mut state = session.state();
    while state.time_s.unwrap() < begun_s + for_s {
        let mut frame = TRIPOD.sightings.frames[number].clone();
        change(&mut frame);
        frame.time_s = state.time_s.unwrap() + STEP_S;
        state = session.sighted(frame).unwrap();
    }
    state
}

#[test]
fn kept_holds_show_what_the_measurement_will_hold_wherever_neutral_was_set() {
    let mut session = TRIPOD.learned();
    let from_s = TRIPOD.again_s();
    // A person sets neutral at the first station away from it.
    let (stick_pct, [first, last], _) = true_holds()[1];
    assert_ne!(stick_pct, 0.0);
    for (number, frame) in TRIPOD.sightings.frames.iter().enumerate() {
        let mut frame = frame.clone();
        frame.time_s += from_s;
        session.sighted(frame).unwrap();
        if number == usize::midpoint(first, last) + 3 {
            session.set_neutral().unwrap();
        }
    }
    let record = session.finish().unwrap();
    let state = session.state();
    assert!(matches!(state.zero, Zero::Set { .. }));
    assert_eq!(state.zero_of_holds, Zero::Holds);
    let (measurement, _) = measured(&record).unwrap();
    let mut largest_deg = 0.0_f64;
    for (side, surface) in measurement.surfaces.iter().enumerate() {
        assert_eq!(surface.stations.len(), state.holds.len());
        for (station, hold) in surface.stations.iter().zip(&state.holds) {
            let shown = hold.figures[side].deflection_deg;
            let off_deg = shown.value - station.deflection_deg.value;
            largest_deg = largest_deg.max(off_deg.abs());
            println!("{:+} %: {off_deg:+.4}°", hold.stick_pct);
            // The measurement fits the same rests again: both differ by less than their ±.
            let limit_deg = 2.0 * shown.sd.hypot(station.deflection_deg.sd);
            assert!(off_deg.abs() <= limit_deg, "{}", hold.stick_pct);
        }
    }
    println!("holds and measurement differ by up to {largest_deg:.4}°");
}

#[test]
fn a_hold_that_was_taken_back_is_not_kept_again_before_the_surfaces_move() {
    let mut session = TRIPOD.learned();
    let from_s = TRIPOD.again_s();
    let (stick_pct, [_, last], _) = true_holds()[1];
    for frame in &TRIPOD.sightings.frames[..=last] {
        let mut frame = frame.clone();
        frame.time_s += from_s;
        session.sighted(frame).unwrap();
    }
    let kept = stay(&mut session, last, 1.0, |_| ()).holds.len();
    assert_eq!(kept, 2);
    session.undo().unwrap();
    session.next_station(Some(stick_pct)).unwrap();
    // The camera is bumped, so that the session fits anew; the surfaces stay where they are.
    let fits = session.state().fits;
    let bumped = |frame: &mut SightedFrame| {
        for corner in frame.sightings.iter_mut().flat_map(|it| &mut it.corners_px) {
            corner.x += 3.0;
        }
        for landmark in &mut frame.landmarks {
            landmark.place_px.x += 3.0;
        }
    };
    let state = stay(&mut session, last, 3.0, bumped);
    assert!(state.fits > fits && state.surfaces[0].deflection_deg.is_some());
    // A hand covers the tags, which ends the rest.
    let covered = |frame: &mut SightedFrame| frame.sightings.clear();
    assert!(!stay(&mut session, last, 2.0, covered).at_rest);
    let state = stay(&mut session, last, 2.0, bumped);
    assert!(state.at_rest);
    assert_eq!(state.holds.len(), kept - 1);
}
