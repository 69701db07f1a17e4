//! A hold in which a tag looks a little otherwise than in all others: a highlight, a bent corner.

use hingewise::motion::Motion;

use crate::measured;
use crate::support::aircraft;
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{StationError, station_errors};
use crate::support::world::{Film, observe};

/// The hold that is off, of the left surface alone.
const HOLD: usize = 3;
const SURFACE: usize = 0;

/// Two opposite corners of the tag drawn outwards through the hold: no deflection does that.
fn film(seed: u64, hand: f64, off_px: f64) -> Film {
    let filming = Filming {
        seed,
        hand,
        noise: CornerNoise::white(0.01),
        ..filming::tripod()
    };
    let mut film = observe(&aircraft::plain(seed), &filming);
    let tag_id = film.aircraft.surfaces[SURFACE].tag.id;
    for frame in &film.truth.holds[HOLD].frames {
        let sightings = film.sightings.frames[*frame].sightings.iter_mut();
        for sighting in sightings.filter(|sighting| sighting.tag_id == tag_id) {
            sighting.corners_px[0] += nalgebra::Vector2::new(-off_px, -off_px);
            sighting.corners_px[2] += nalgebra::Vector2::new(off_px, off_px);
        }
    }
    film
}

/// Standard deviations of the hold's frames by themselves, rad; of those that were measured.
fn own_sds_rad(film: &Film, motion: &Motion) -> Vec<f64> {
    let frames = film.truth.holds[HOLD].frames.iter();
    let measured = frames
        .map(|frame| &motion.frames[*frame])
        .filter(|frame| frame.deflections[SURFACE].is_some());
    measured
        .map(|frame| frame.own_covariance_rad2[(SURFACE, SURFACE)].sqrt())
        .collect()
}

fn fitted(film: &Film) -> (Vec<StationError>, Vec<f64>) {
    let (motion, _) = measured(film).unwrap();
    (station_errors(film, &motion), own_sds_rad(film, &motion))
}

#[test]
fn a_tag_a_little_off_is_measured_with_its_doubt_and_leaves_the_rest_alone() {
    for hand in [0.0, 1.0] {
        for seed in 0..3 {
            let film_off = film(seed, hand, 0.06);
            let (off_errors, off_sds_rad) = fitted(&film_off);
            let (clean_errors, clean_sds_rad) = fitted(&film(seed, hand, 0.0));
            assert_eq!(off_sds_rad.len(), film_off.truth.holds[HOLD].frames.len());
            // In the hand the camera's pose has the largest part in both.
            let more = if hand == 0.0 { 1.5 } else { 1.05 };
            for (off, clean) in off_sds_rad.iter().zip(&clean_sds_rad) {
                assert!(
                    *off > more * clean,
                    "seed {seed}, hand {hand}: {off} {clean}"
                );
            }
            for (off, clean) in off_errors.iter().zip(&clean_errors) {
                assert!(
                    off.error_deg.abs() < 4.0 * off.sd_deg,
                    "{seed}, {hand}: {off:?}"
                );
                let change_deg = off.error_deg - clean.error_deg;
                let same_hold = (off.surface, off.hold) == (SURFACE, HOLD);
                assert!(
                    same_hold || change_deg.abs() < 0.3 * clean.sd_deg,
                    "{off:?} {clean:?}"
                );
            }
        }
    }
}

#[test]
fn a_tag_far_off_is_not_measured() {
    for hand in [0.0, 1.0] {
        let (_, sds_rad) = fitted(&film(1, hand, 0.3));
        assert!(sds_rad.is_empty(), "hand {hand}: {sds_rad:?}");
    }
}
