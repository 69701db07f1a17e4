//! Tags on paper that does not lie flat.

use hingewise::motion::{FitOptions, MotionWarning};

use super::{errors_of_films, measured, measured_with, rms_of_claims, with_white_noise_alone};
use crate::support::aircraft;
use crate::support::filming::{self, CornerNoise, Filming};
use crate::support::judge::{StationError, rms, station_errors};
use crate::support::world::{Film, observe};

/// Tags of 20 mm round drums of 125 and 250 mm stand out 0.40 and 0.20 mm.
const BEND_RADII_MM: [f64; 2] = [125.0, 250.0];

fn film(seed: u64, bent: bool) -> Film {
    let mut aircraft = aircraft::plain(seed);
    for (surface, radius_mm) in aircraft.surfaces.iter_mut().zip(BEND_RADII_MM) {
        surface.tag.bend_radius_mm = if bent { radius_mm } else { 0.0 };
    }
    let filming = Filming {
        noise: CornerNoise::white(0.01),
        ..filming::tripod()
    };
    observe(&aircraft, &with_white_noise_alone(filming, seed))
}

fn bent_tags(warnings: &[MotionWarning]) -> Vec<u32> {
    let ids = warnings.iter().filter_map(|warning| match warning {
        MotionWarning::TagBent { tag_id, .. } => Some(*tag_id),
        _ => None,
    });
    ids.collect()
}

#[test]
fn bent_paper_is_told_and_does_not_bend_the_angles() {
    let mut taken_as_flat = vec![];
    for seed in 0..8 {
        let film = film(seed, true);
        let (_, warnings) = measured(&film).unwrap();
        let told = bent_tags(&warnings);
        let bent = film.aircraft.surfaces.iter().map(|surface| surface.tag.id);
        assert!(
            bent.into_iter().all(|id| told.contains(&id)),
            "seed {seed}: {told:?}"
        );
        let flat = FitOptions {
            bow_sd_share: 0.0,
            ..FitOptions::default()
        };
        let (motion, _) = measured_with(&film, flat).unwrap();
        taken_as_flat.extend(station_errors(&film, &motion));
    }
    let allowed_for = errors_of_films((0..8).map(|seed| film(seed, true)));
    let errors_deg = |errors: &[StationError]| rms(errors.iter().map(|error| error.error_deg));
    let (with_deg, without_deg) = (errors_deg(&allowed_for), errors_deg(&taken_as_flat));
    let of_claims = rms_of_claims(&allowed_for);
    println!(
        "bent paper: {with_deg:.3}°, {of_claims:.2} of claims; taken as flat {without_deg:.3}°"
    );
    assert!(with_deg < 0.1 && with_deg < 0.1 * without_deg);
    assert!((0.7..1.4).contains(&of_claims), "{of_claims}");
}

#[test]
fn flat_paper_is_not_taken_for_bent() {
    for seed in 0..16 {
        let (_, warnings) = measured(&film(seed, false)).unwrap();
        assert!(bent_tags(&warnings).is_empty(), "seed {seed}: {warnings:?}");
    }
}
