//! What stands around the aircraft, and what the camera sees of it.

use hingewise::landmarks::LandmarkSighting;
use nalgebra::Point2;

use super::hand_path::HandPath;
use super::random::Random;
use super::rigid::{Pose, Vec3, add, apply, turn_by_vector};
use super::world::Film;

/// What is to be seen around the aircraft.
#[derive(Debug, Clone, Copy)]
pub struct Room {
    pub landmarks: usize,
    /// Standard deviation of a landmark's place in single frames.
    pub sd_px: f64,
    /// So many others wander through the room by some centimetres.
    pub wandering: usize,
    /// The aircraft is turned so far against the room at full stick.
    pub rocking_deg: f64,
    /// The aircraft stands so far aside while its airframe tags are hidden.
    pub pushed_mm: f64,
}

/// Two dozen landmarks that stand still, found to 0.2 px.
pub fn still() -> Room {
    Room {
        landmarks: 24,
        sd_px: 0.2,
        wandering: 0,
        rocking_deg: 0.0,
        pushed_mm: 0.0,
    }
}

/// Puts an aircraft that was filmed into a room.
pub fn put_into(film: &mut Film, room: &Room) {
    let filming = &film.filming;
    // The path as it was drawn when the aircraft was filmed.
    let path = HandPath::new(filming.hand, &mut Random::new(filming.seed ^ 0x0AC7));
    // A stream for each, so that some make no difference to the others.
    let stream = |number: usize| Random::new(filming.seed ^ (0x4007 + ((number as u64) << 20)));
    let mut streams: Vec<Random> = (0..room.landmarks + room.wandering).map(stream).collect();
    let place = |random: &mut Random| -> Vec3 {
        // Beside the aircraft and behind it, wider further away: they fill the picture.
        let ahead = random.between(600.0, 2300.0);
        let spread = ahead / 800.0;
        let across = random.between(-450.0, 450.0) * spread;
        [across, random.between(-250.0, 250.0) * spread, ahead]
    };
    let places: Vec<Vec3> = streams.iter_mut().map(place).collect();
    let airframe: Vec<u32> = film.model.airframe_tags.iter().map(|tag| tag.id).collect();
    for (frame, truth) in film.sightings.frames.iter_mut().zip(&film.truth.frames) {
        let rocking_rad = room.rocking_deg.to_radians() * truth.stick_pct / 100.0;
        let rocked = turn_by_vector([-rocking_rad, 0.0, 0.0]);
        let hidden = airframe.iter().all(|id| frame.sighting(*id).is_none());
        let pushed_mm = if hidden { room.pushed_mm } else { 0.0 };
        for (number, (place, random)) in places.iter().zip(&mut streams).enumerate() {
            let mut place = add(apply(&rocked, *place), [-pushed_mm, 0.0, 0.0]);
            if number >= room.landmarks {
                let swing = 30.0 * (1.3 * truth.time_s + number as f64).sin();
                place = add(place, [swing, 0.5 * swing, 0.0]);
            }
            let at_once = truth.camera_from_world;
            let mut seen = filming.lens.project(at_once.point(place));
            for _ in 0..3 {
                let then: Pose = path.camera_from_world(truth.time_s + filming.late_s(seen));
                seen = filming.lens.project(then.point(place));
            }
            let found = seen.map(|at| (at + room.sd_px * random.normal()) as f32);
            frame.landmarks.push(LandmarkSighting {
                number: number as u32,
                place_px: Point2::from(found),
            });
        }
    }
}
