//! A picture that moves against its lens: a stabiliser that cannot be switched off, and a focus that breathes.

use std::f64::consts::TAU;

use super::random::Random;
use super::world::Film;

/// How the picture moves.
#[derive(Debug, Clone, Copy)]
pub struct Stabiliser {
    /// Standard deviation of the slow drift in each direction.
    pub drift_px: f64,
    /// Standard deviation of the tremor in each direction, new in every frame.
    pub tremor_px: f64,
    /// Standard deviation of the growth of the picture.
    pub breathing: f64,
    /// Largest growth while the focus hunts once.
    pub hunt: f64,
}

/// Slow waves of the drift: from 0.03 to 0.4 Hz, as stabilisers of phones that rest.
const WAVES_HZ: [f64; 5] = [0.03, 0.08, 0.15, 0.27, 0.4];
/// Duration of a hunt of the focus, s.
const HUNT_S: f64 = 0.6;

/// A sum of slow waves with a standard deviation of one.
fn wave(random: &mut Random) -> impl Fn(f64) -> f64 + use<> {
    let parts = WAVES_HZ.map(|hz| (TAU * hz, random.between(0.0, TAU), random.normal()));
    let power: f64 = parts.iter().map(|(_, _, size)| 0.5 * size * size).sum();
    move |time_s| {
        let sum: f64 = parts
            .iter()
            .map(|(rate, phase, size)| size * (rate * time_s + phase).sin())
            .sum();
        sum / power.sqrt()
    }
}

/// Moves all that was seen in a film. The truth stays that of the lens at rest.
pub fn move_picture(film: &mut Film, stabiliser: &Stabiliser) {
    let mut random = Random::new(film.filming.seed ^ 0x57AB);
    let waves = [(); 3].map(|()| wave(&mut random));
    let duration_s = film.truth.frames.last().map_or(0.0, |frame| frame.time_s);
    let hunt_at_s = random.between(0.2, 0.8) * duration_s;
    let lens = &film.filming.lens;
    let centre_px = [lens.width_px, lens.height_px].map(|size| 0.5 * (size as f64 - 1.0));
    for frame in &mut film.sightings.frames {
        let time_s = frame.time_s;
        let shift_px = [0, 1].map(|axis: usize| {
            stabiliser.drift_px * waves[axis](time_s) + stabiliser.tremor_px * random.normal()
        });
        let into_hunt = (time_s - hunt_at_s) / HUNT_S;
        let hunt = match (0.0..1.0).contains(&into_hunt) {
            true => stabiliser.hunt * (TAU * into_hunt).sin(),
            false => 0.0,
        };
        let growth = stabiliser.breathing * waves[2](time_s) + hunt;
        let moved = |place: f64, axis: usize| {
            centre_px[axis] + (1.0 + growth) * (place - centre_px[axis]) + shift_px[axis]
        };
        for seen in &mut frame.sightings {
            for corner in &mut seen.corners_px {
                (corner.x, corner.y) = (moved(corner.x, 0), moved(corner.y, 1));
            }
        }
        for seen in &mut frame.landmarks {
            let [x, y] = [seen.place_px.x, seen.place_px.y].map(f64::from);
            (seen.place_px.x, seen.place_px.y) = (moved(x, 0) as f32, moved(y, 1) as f32);
        }
    }
}
