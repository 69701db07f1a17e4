//! A hold in which a tag looks a little otherwise than in all others: a highlight, a bent corner.

use hingewise::motion::{FrameDeflection, MotionWarning};
use nalgebra::Vector2;

use super::measured;
use crate::support::aircraft;
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{StationError, rms, station_errors};
use crate::support::world::{Film, observe};

/// The hold that is off, of the left surface alone.
const HOLD: usize = 3;
const SURFACE: usize = 0;

/// One corner of the tag drawn outwards and down through the hold: partly a turn of the surface.
fn film(seed: u64, (hand, readout_s): (f64, f64), off_px: f64) -> Film {
    let filming = Filming {
        seed,
        hand,
        readout_s,
        noise: CornerNoise::white(0.01),
        ..filming::tripod()
    };
    let mut film = observe(&aircraft::plain(seed), &filming);
    let tag_id = film.aircraft.surfaces[SURFACE].tag.id;
    for frame in &film.truth.holds[HOLD].frames {
        let sightings = film.sightings.frames[*frame].sightings.iter_mut();
        for sighting in sightings.filter(|sighting| sighting.tag_id == tag_id) {
            let corner = &mut sighting.corners_px[(seed % 4) as usize];
            *corner += Vector2::new(off_px, off_px);
        }
    }
    film
}

/// What a fit makes of a film.
struct Fitted {
    errors: Vec<StationError>,
    /// Standard deviation of the misfit in each frame of the hold in which the tag was measured.
    misfits_deg: Vec<f64>,
    warnings: Vec<MotionWarning>,
}

fn fitted(film: &Film) -> Fitted {
    let (motion, warnings) = measured(film).unwrap();
    let frames = film.truth.holds[HOLD].frames.iter();
    let measured = frames.filter_map(|frame| motion.frames[*frame].deflections[SURFACE].as_ref());
    let misfit =
        |deflection: &FrameDeflection| deflection.misfit.map_or(0.0, |misfit| misfit.sd_rad);
    Fitted {
        errors: station_errors(film, &motion),
        misfits_deg: measured
            .map(|deflection| misfit(deflection).to_degrees())
            .collect(),
        warnings,
    }
}

fn is_told(warnings: &[MotionWarning], film: &Film) -> bool {
    let tag = film.aircraft.surfaces[SURFACE].tag.id;
    let mut told = warnings.iter().filter_map(|warning| match warning {
        MotionWarning::TagLooksOtherwise { tag_id, .. } => Some(*tag_id),
        _ => None,
    });
    told.any(|tag_id| tag_id == tag)
}

#[test]
fn a_tag_a_little_off_is_measured_with_its_doubt_and_leaves_the_rest_alone() {
    for filmed in [(0.0, 0.0), (1.0, 0.0), (3.0, 0.02)] {
        let mut in_sds = vec![];
        for seed in 0..8 {
            let film_off = film(seed, filmed, 0.06);
            let (with, without) = (fitted(&film_off), fitted(&film(seed, filmed, 0.0)));
            let frames = film_off.truth.holds[HOLD].frames.len();
            assert_eq!(with.misfits_deg.len(), frames);
            assert!(is_told(&with.warnings, &film_off), "{:?}", with.warnings);
            assert!(
                !is_told(&without.warnings, &film_off),
                "{:?}",
                without.warnings
            );
            for (off, clean) in with.errors.iter().zip(&without.errors) {
                let change_deg = off.error_deg - clean.error_deg;
                if off.hold != HOLD {
                    assert!(change_deg.abs() < 0.3 * clean.sd_deg, "{off:?} {clean:?}");
                    let claims = off.sd_deg / clean.sd_deg;
                    assert!((0.9..1.1).contains(&claims), "{off:?} {clean:?}");
                } else if off.surface == SURFACE {
                    // The frames of a hold have it in common: it does not average out.
                    let mean_deg = with.misfits_deg.iter().sum::<f64>() / frames as f64;
                    assert!(off.sd_deg > mean_deg, "{off:?} {:?}", with.misfits_deg);
                    in_sds.push(change_deg / mean_deg);
                }
            }
        }
        let of_claims = rms(in_sds);
        println!(
            "{filmed:?}: the misfit moves the hold by {of_claims:.2} of what it adds to the claim"
        );
        assert!((0.2..1.5).contains(&of_claims), "{filmed:?}: {of_claims}");
    }
}

#[test]
fn a_tag_far_off_is_not_measured() {
    for hand in [0.0, 1.0] {
        let measured = fitted(&film(1, (hand, 0.0), 0.4)).misfits_deg;
        assert!(measured.is_empty(), "hand {hand}: {measured:?}");
    }
}
