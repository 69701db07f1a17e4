//! A picture that moves against its lens, beside a camera that stands still and in the hand.
//!
//! Amplitudes are those of phones: on a tripod a drift of 0.3 px is usual and 2 px hard, in the hand 3 to 10 px; focus
//! breathes by 0.07 % and hunts by half a percent (invented figures within what manufacturers' logs of
//! lens shifts and thin-lens arithmetic give).

use hingewise::motion::MotionWarning;

use super::{brief, errors_of_films, measured, rms_of_claims};
use crate::support::aircraft;
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{StationError, coverage, rms, station_errors};
use crate::support::stabiliser::{Stabiliser, move_picture};
use crate::support::surroundings::{Room, put_into, still};
use crate::support::world::{Film, observe};

const USUAL: Stabiliser = Stabiliser {
    drift_px: 0.3,
    tremor_px: 0.1,
    breathing: 0.0007,
    hunt: 0.0,
};
const HARD: Stabiliser = Stabiliser {
    drift_px: 2.0,
    tremor_px: 0.2,
    breathing: 0.0007,
    hunt: 0.005,
};
const IN_THE_HAND: Stabiliser = Stabiliser {
    drift_px: 3.0,
    tremor_px: 0.5,
    breathing: 0.0008,
    hunt: 0.004,
};
const HARD_IN_THE_HAND: Stabiliser = Stabiliser {
    drift_px: 10.0,
    tremor_px: 1.0,
    breathing: 0.0008,
    hunt: 0.004,
};

fn film(filming: Filming, seed: u64, room: &Room, stabiliser: Option<&Stabiliser>) -> Film {
    let filming = Filming {
        noise: CornerNoise::white(0.03),
        ..filming
    };
    let mut film = observe(&aircraft::plain(seed), &brief(filming, seed));
    put_into(&mut film, room);
    if let Some(stabiliser) = stabiliser {
        move_picture(&mut film, stabiliser);
    }
    film
}

/// Landmarks of a still camera are found to a few hundredths of a pixel.
fn room_of_a_tripod() -> Room {
    Room {
        sd_px: 0.05,
        ..still()
    }
}

fn rms_deg(errors: &[StationError]) -> f64 {
    rms(errors.iter().map(|error| error.error_deg))
}

/// Errors of films in which the aircraft does not rock and the surroundings stand still, and in how many of
/// them the fit says otherwise.
fn errors_and_false_alarms(films: impl Iterator<Item = Film>) -> (Vec<StationError>, usize) {
    let (mut errors, mut false_alarms) = (vec![], 0);
    for film in films {
        let (motion, warnings) = measured(&film).unwrap();
        let false_alarm = warnings.iter().any(|warning| {
            matches!(
                warning,
                MotionWarning::SurroundingsMove | MotionWarning::AircraftRocks { .. }
            )
        });
        false_alarms += usize::from(false_alarm);
        errors.extend(station_errors(&film, &motion));
    }
    (errors, false_alarms)
}

fn check(filming: fn() -> Filming, room: &Room, stabiliser: &Stabiliser, most_growth: f64) {
    let seeds = 0..24;
    let of = |stabiliser: Option<&Stabiliser>| {
        let films = seeds.clone();
        let films = films.map(|seed| film(filming(), seed, room, stabiliser));
        let (errors, false_alarms) = errors_and_false_alarms(films);
        // Two of the 24 films in the hand whose picture stays where it is seem to rock, by some 0.05°: χ² of 30
        // and 37, where doubt begins at 30.
        assert!(false_alarms <= 2, "{false_alarms}");
        errors
    };
    let (still, moving) = (of(None), of(Some(stabiliser)));
    let (covered, of_claims) = (coverage(&moving), rms_of_claims(&moving));
    println!(
        "picture still {:.4}°, moving {:.4}°; {:.1} % inside, {of_claims:.2} of what is claimed",
        rms_deg(&still),
        rms_deg(&moving),
        100.0 * covered
    );
    assert!(rms_deg(&moving) < most_growth * rms_deg(&still));
    assert!(covered >= 0.93, "{covered}");
    assert!((0.7..1.15).contains(&of_claims), "{of_claims}");
}

#[test]
fn a_drifting_picture_costs_a_tripod_nothing() {
    check(filming::tripod, &room_of_a_tripod(), &USUAL, 1.1);
    // Landmarks of 0.05 px leave 0.015 px of each frame's own motion, and these films have five frames a hold.
    check(filming::tripod, &room_of_a_tripod(), &HARD, 1.2);
}

#[test]
fn a_drifting_picture_costs_the_hand_little() {
    check(filming::handheld, &still(), &IN_THE_HAND, 1.1);
    check(filming::handheld, &still(), &HARD_IN_THE_HAND, 1.1);
}

#[test]
fn an_aircraft_that_rocks_is_noticed_in_a_picture_that_drifts() {
    let room = Room {
        rocking_deg: 0.15,
        ..still()
    };
    let films = (0..8).map(|seed| film(filming::handheld(), seed, &room, Some(&IN_THE_HAND)));
    let mut noticed = 0;
    let errors = errors_of_films(films.inspect(|film| {
        let (_, warnings) = measured(film).unwrap();
        let rocks = |warning: &MotionWarning| {
            matches!(
                warning,
                MotionWarning::SurroundingsMove | MotionWarning::AircraftRocks { .. }
            )
        };
        noticed += usize::from(warnings.iter().any(rocks));
    }));
    let of_claims = rms_of_claims(&errors);
    println!(
        "{:.4}°, {of_claims:.2} of what is claimed",
        rms_deg(&errors)
    );
    assert!(of_claims < 1.5, "{of_claims}");
    assert_eq!(noticed, 8);
}
