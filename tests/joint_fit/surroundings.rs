//! A camera in the hand that also sees what stands around the aircraft.

use hingewise::motion::{Motion, MotionWarning};

use super::{brief, errors_of_films, measured, rms_of_claims};
use crate::support::aircraft;
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{StationError, coverage, rms, station_errors};
use crate::support::surroundings::{Room, put_into, still};
use crate::support::world::{Film, observe};

fn handheld(seed: u64) -> Film {
    let filming = Filming {
        noise: CornerNoise::white(0.03),
        ..filming::handheld()
    };
    observe(&aircraft::plain(seed), &brief(filming, seed))
}

fn in_room(mut film: Film, room: &Room) -> Film {
    put_into(&mut film, room);
    film
}

fn rms_deg(errors: &[StationError]) -> f64 {
    rms(errors.iter().map(|error| error.error_deg))
}

#[test]
fn surroundings_make_the_hand_as_good_as_a_tripod() {
    let seeds = 0..12;
    let alone = errors_of_films(seeds.clone().map(handheld));
    let around = errors_of_films(seeds.clone().map(|seed| in_room(handheld(seed), &still())));
    let tripod = errors_of_films(seeds.map(|seed| {
        let filming = Filming {
            noise: CornerNoise::white(0.03),
            ..filming::tripod()
        };
        observe(&aircraft::plain(seed), &brief(filming, seed))
    }));
    let figures = [&alone, &around, &tripod].map(|errors| rms_deg(errors));
    println!(
        "tags alone {:.4}°, with surroundings {:.4}°, tripod {:.4}°",
        figures[0], figures[1], figures[2]
    );
    let of_claims = rms_of_claims(&around);
    println!("{of_claims:.2} of what is claimed");
    assert!(figures[1] < 0.6 * figures[0]);
    assert!(figures[1] < 1.3 * figures[2]);
    assert!((0.7..1.3).contains(&of_claims), "{of_claims}");
}

#[test]
fn intervals_hold_the_truth_with_surroundings_around_aircraft_of_all_shapes() {
    let films = (0..60).map(|seed| {
        let film = observe(&aircraft::random(seed), &brief(filming::handheld(), seed));
        in_room(film, &still())
    });
    let errors = errors_of_films(films);
    let covered = coverage(&errors);
    println!("{:.4}°, {:.1} % inside", rms_deg(&errors), 100.0 * covered);
    // A normal error is inside two standard deviations in 95.4 %.
    assert!((0.93..=0.98).contains(&covered), "{covered}");
    assert!((0.85..1.15).contains(&rms_of_claims(&errors)));
}

#[test]
fn landmarks_that_wander_are_left_out() {
    let fourteen = Room {
        landmarks: 14,
        ..still()
    };
    let wandering = Room {
        wandering: 10,
        ..fourteen
    };
    let [with, without] = [wandering, fourteen].map(|room| {
        let films = (0..6).map(|seed| in_room(handheld(seed), &room));
        rms_deg(&errors_of_films(films))
    });
    println!("ten that wander {with:.4}°, without these {without:.4}°");
    assert!(with < 1.2 * without);
    let (motion, _) = measured(&in_room(handheld(0), &wandering)).unwrap();
    assert_eq!(motion.landmarks, 14);
}

/// The motion, and whether it was told that the surroundings move and that the aircraft rocks.
fn told(film: &Film) -> (Motion, [bool; 2]) {
    let (motion, warnings) = measured(film).unwrap();
    let told = |kind: fn(&MotionWarning) -> bool| warnings.iter().any(kind);
    let moves = told(|warning| matches!(warning, MotionWarning::SurroundingsMove));
    let rocks = told(|warning| matches!(warning, MotionWarning::AircraftRocks { .. }));
    (motion, [moves, rocks])
}

#[test]
fn an_aircraft_that_rocks_far_is_told_and_measured_by_its_tags() {
    let rocking = Room {
        rocking_deg: 0.5,
        ..still()
    };
    for seed in 0..6 {
        let film = handheld(seed);
        let (alone, of_none) = told(&film);
        let (motion, of_rocking) = told(&in_room(film, &rocking));
        assert_eq!(
            (of_none, of_rocking),
            ([false; 2], [true, false]),
            "seed {seed}"
        );
        assert_eq!(motion, alone, "seed {seed}");
    }
}

#[test]
fn an_aircraft_that_rocks_a_little_is_told_and_allowed_for() {
    let mut figures = vec![];
    for rocking_deg in [0.0, 0.02, 0.05, 0.08] {
        let room = Room {
            rocking_deg,
            ..still()
        };
        let films = (0..12).map(|seed| in_room(handheld(seed), &room));
        let errors: Vec<StationError> = films
            .flat_map(|film| {
                let (motion, of_rocking) = told(&film);
                assert_eq!(of_rocking, [false, rocking_deg > 0.0], "{rocking_deg}");
                station_errors(&film, &motion)
            })
            .collect();
        let of_claims = rms_of_claims(&errors);
        println!(
            "{rocking_deg}°: {:.4}°, {of_claims:.2} of what is claimed",
            rms_deg(&errors)
        );
        // Twelve films are worth some four dozen independent figures: their RMS scatters by 10 %.
        assert!((0.7..1.3).contains(&of_claims), "{rocking_deg}");
        figures.push(rms_deg(&errors));
    }
    assert!(figures[3] < 2.0 * figures[0]);
}

/// The film with its airframe tags hidden from one hold to another, and these holds.
fn hidden_airframe(mut film: Film) -> (Film, [usize; 3]) {
    let holds = [4, 5, 6];
    let [first, _, last] = holds.map(|hold| film.truth.holds[hold].frames.clone());
    for frame in &mut film.sightings.frames[first[0]..=last[last.len() - 1]] {
        let on_airframe = |id| film.model.airframe_tags.iter().any(|tag| tag.id == id);
        frame.sightings.retain(|seen| !on_airframe(seen.tag_id));
    }
    (film, holds)
}

#[test]
fn landmarks_carry_the_camera_past_a_hidden_airframe_tag() {
    let [hidden_deg, others_deg] = carry_past_a_hidden_airframe_tag(&still());
    assert!(hidden_deg < 2.0 * others_deg);
}

#[test]
fn landmarks_carry_the_camera_around_an_aircraft_that_rocks_too() {
    carry_past_a_hidden_airframe_tag(&Room {
        rocking_deg: 0.08,
        ..still()
    });
}

/// In how many frames the airframe tag was told to be hidden.
fn told_hidden(warnings: &[MotionWarning]) -> Option<usize> {
    warnings.iter().find_map(|warning| match warning {
        MotionWarning::AirframeTagHidden { frames } => Some(*frames),
        _ => None,
    })
}

/// Every hidden hold is measured as well as it is claimed to be; errors of these holds and of all others.
fn carry_past_a_hidden_airframe_tag(room: &Room) -> [f64; 2] {
    let (mut hidden, mut others) = (vec![], vec![]);
    for seed in 0..12 {
        let (film, holds) = hidden_airframe(handheld(seed));
        let (motion, _) = told(&film);
        let of_tags = station_errors(&film, &motion);
        assert!(of_tags.iter().all(|error| !holds.contains(&error.hold)));
        let film = in_room(film, room);
        let (motion, warnings) = measured(&film).unwrap();
        let without_airframe = film.sightings.frames.iter().filter(|frame| {
            let on_surface = |id| {
                film.model
                    .surfaces
                    .iter()
                    .any(|surface| surface.tag_id == id)
            };
            frame.sightings.iter().all(|seen| on_surface(seen.tag_id))
        });
        assert_eq!(told_hidden(&warnings), Some(without_airframe.count()));
        for hold in holds {
            let mut frames = film.truth.holds[hold].frames.iter();
            let measured = |frame: &usize| {
                motion.frames[*frame]
                    .deflections
                    .iter()
                    .all(Option::is_some)
            };
            assert!(frames.all(measured), "seed {seed}, hold {hold}");
        }
        for error in station_errors(&film, &motion) {
            match holds.contains(&error.hold) {
                true => hidden.push(error),
                false => others.push(error),
            }
        }
    }
    let of_claims = rms_of_claims(&hidden);
    println!(
        "hidden {:.4}°, {of_claims:.2} of what is claimed; others {:.4}°",
        rms_deg(&hidden),
        rms_deg(&others)
    );
    assert!((0.7..1.3).contains(&of_claims));
    [rms_deg(&hidden), rms_deg(&others)]
}

#[test]
fn an_aircraft_that_was_moved_behind_a_hidden_airframe_tag_is_not_measured_there() {
    let pushed = Room {
        pushed_mm: 5.0,
        ..still()
    };
    for seed in 0..6 {
        let (film, holds) = hidden_airframe(handheld(seed));
        let film = in_room(film, &pushed);
        let (motion, warnings) = measured(&film).unwrap();
        assert_eq!(told_hidden(&warnings), None);
        let errors = station_errors(&film, &motion);
        let worst = errors
            .iter()
            .map(|error| error.error_deg.abs() / error.sd_deg);
        println!("seed {seed}: {:.1}", worst.clone().fold(0.0, f64::max));
        assert!(errors.iter().all(|error| !holds.contains(&error.hold)));
        assert!(worst.fold(0.0, f64::max) < 4.0);
    }
}

#[test]
fn the_readout_shows_in_the_surroundings() {
    for seed in 0..4 {
        let filming = Filming {
            readout_s: 0.02,
            ..handheld(seed).filming
        };
        let film = in_room(observe(&aircraft::plain(seed), &filming), &still());
        let (motion, _) = measured(&film).unwrap();
        let found = motion.readout_s.unwrap();
        println!(
            "seed {seed}: {:.2} ± {:.2} ms",
            1e3 * found.value,
            1e3 * found.u()
        );
        assert!((found.value - 0.02).abs() < found.u().max(0.0005));
        let errors = station_errors(&film, &motion);
        assert!(
            errors
                .iter()
                .all(|error| error.error_deg.abs() < 5.0 * error.sd_deg)
        );
    }
}
