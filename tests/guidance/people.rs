//! A person who follows the outlines against one who holds the board anywhere.

use hingewise::camera::calibration::NoView;
use hingewise::camera::guidance::Guidance;
use rayon::prelude::*;

use super::person::Person;
use crate::support::lens::Lens;

const SEEDS: u64 = 16;
/// After so many holds a person gives up.
const MOST_HOLDS: usize = 60;

/// How a person got on.
struct Course {
    /// Times that the board was held still, those that were not kept among them.
    holds: usize,
    /// What the profile states then, degrees (k = 2), and its true error.
    u_deg: f64,
    error_deg: f64,
}

/// Holds the board until the profile adds no more than is aimed at.
fn course(lens: Lens, noise_px: f64, seed: u64, follows: bool) -> Course {
    let mut person = Person::new(lens, noise_px, seed);
    let mut guidance = Guidance::new(Person::board()).unwrap();
    // The first picture, without a board: from here on there is an outline.
    let nothing = Err(NoView::NoChessboard);
    guidance.see(0.0, person.size_px(), nothing).unwrap();
    for holds in 1..=MOST_HOLDS {
        match follows {
            true => person.follow(&mut guidance),
            false => person.hold_anywhere(&mut guidance),
        };
        let standing = guidance.standing();
        if let Some(u_deg) = standing.u_deg.filter(|u_deg| *u_deg <= standing.aim_deg) {
            let profile = guidance.profile("").unwrap();
            let error_deg = person.true_error_deg(&profile.camera);
            return Course {
                holds,
                u_deg,
                error_deg,
            };
        }
    }
    panic!("seed {seed}: {:?}", guidance.standing());
}

fn courses(lens: Lens, noise_px: f64, follows: bool) -> Vec<Course> {
    let seeds = (0..SEEDS).into_par_iter();
    seeds
        .map(|seed| course(lens, noise_px, seed, follows))
        .collect()
}

fn median_holds(courses: &[Course]) -> f64 {
    let mut holds: Vec<usize> = courses.iter().map(|course| course.holds).collect();
    holds.sort_unstable();
    println!("{holds:?}");
    (holds[holds.len() / 2] + holds[(holds.len() - 1) / 2]) as f64 / 2.0
}

/// Both until ±0.01°. An outline that were no better than any other place would take as many holds; the
/// first set of outlines, smaller boards in the corners, took a fifth fewer with the webcam and an eighth
/// more with the phone.
#[test]
fn following_the_outlines_takes_far_fewer_holds_than_holding_the_board_anywhere() {
    let cameras = [
        ("webcam, crossings to 0.2 px", Lens::webcam(), 0.2),
        ("phone, crossings to 0.3 px", Lens::phone(), 0.3),
    ];
    let mut ratios = Vec::new();
    for (name, lens, noise_px) in cameras {
        let [anywhere, followed] = [false, true].map(|follows| courses(lens, noise_px, follows));
        let outside = |courses: &[Course]| {
            let outside = courses.iter().filter(|one| one.error_deg > one.u_deg);
            let worst = courses.iter().map(|one| one.error_deg / one.u_deg);
            (outside.count(), worst.fold(0.0, f64::max))
        };
        let holds = [median_holds(&anywhere), median_holds(&followed)];
        let beyond = [outside(&anywhere), outside(&followed)];
        println!("{name}: {holds:?} holds, outside the stated ± and worst ratio {beyond:?}");
        ratios.push(holds[1] / holds[0]);
        // One in twenty lies outside by chance, and who stops as soon as ± is small enough stops at small
        // estimates of it.
        assert!(beyond[1].0 <= 3 && beyond[1].1 < 2.0, "{beyond:?}");
    }
    for ratio in ratios {
        assert!(ratio <= 0.75, "{ratio}");
    }
}
