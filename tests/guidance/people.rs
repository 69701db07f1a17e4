//! A person who follows the outlines against one who holds the board anywhere.

use hingewise::camera::guidance::{Guidance, Outcome, Standing};
use rayon::prelude::*;

use super::person::{Person, kept};
use crate::support::lens::Lens;

const SEEDS: u64 = 16;
/// After so many holds a person gives up.
const MOST_HOLDS: usize = 60;

/// Holds until the profile adds no more than is aimed at, and the true error then.
fn holds(
    lens: Lens,
    noise_px: f64,
    seed: u64,
    hold: impl Fn(&mut Person, &mut Guidance) -> Outcome,
) -> (usize, usize, f64, f64) {
    let mut person = Person::new(lens, noise_px, seed);
    let mut guidance = Guidance::new(Person::board()).unwrap();
    let (width_px, height_px) = person.size_px();
    // The first picture, without a board: from here on there is an outline.
    let nothing = hingewise::camera::calibration::NoView::NoChessboard;
    guidance
        .see(0.0, (width_px, height_px), Err(nothing))
        .unwrap();
    for count in 1..=MOST_HOLDS {
        let outcome = hold(&mut person, &mut guidance);
        let Standing {
            u_deg,
            aim_deg,
            fit_views,
            ..
        } = guidance.standing();
        let _ = kept(&outcome);
        if let Some(u_deg) = u_deg.filter(|u_deg| *u_deg <= aim_deg) {
            let profile = guidance.profile("").unwrap();
            return (
                count,
                fit_views,
                u_deg,
                person.true_error_deg(&profile.camera),
            );
        }
    }
    (MOST_HOLDS, 0, f64::NAN, f64::NAN)
}

#[test]
fn following_the_outlines_takes_fewer_views_than_holding_the_board_anywhere() {
    for (name, lens, noise_px) in [
        ("phone", Lens::phone(), 0.1),
        ("webcam", Lens::webcam(), 0.2),
        ("noisy", Lens::phone(), 0.3),
    ] {
        for (how, follows) in [("anywhere", false), ("outline", true)] {
            let mut all: Vec<_> = (0..SEEDS)
                .into_par_iter()
                .map(|seed| {
                    holds(lens, noise_px, seed, |person, guidance| match follows {
                        true => person.follow(guidance),
                        false => person.hold_anywhere(guidance),
                    })
                })
                .collect();
            all.sort_by_key(|one| one.0);
            let counts: Vec<usize> = all.iter().map(|one| one.0).collect();
            let fits: Vec<usize> = all.iter().map(|one| one.1).collect();
            let bad = all.iter().filter(|one| one.3 > one.2).count();
            let worst = all.iter().map(|one| one.3).fold(0.0, f64::max);
            println!("{name} {how}: {counts:?} views {fits:?}, {bad} outside, worst {worst:.4}");
        }
    }
}
