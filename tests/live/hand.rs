//! The clip from the hand, against its truth.

use super::film::HANDHELD;
use crate::support::judge::{inside, rms};

#[test]
fn holds_from_the_hand_follow_the_declared_order_and_are_inside_their_intervals() {
    let mut session = HANDHELD.learned();
    let from_s = HANDHELD.again_s();
    HANDHELD.play(&mut session, from_s, |_| (), |_, _| ());
    session.finish().unwrap();
    let state = session.state();
    let found: Vec<f64> = state.holds.iter().map(|hold| hold.stick_pct).collect();
    let mut errors = vec![];
    for hold in &state.holds {
        let frames: Vec<usize> = (0..HANDHELD.sightings.frames.len())
            .filter(|frame| {
                let time_s = from_s + HANDHELD.sightings.frames[*frame].time_s;
                hold.time_s[0] - 1e-6 <= time_s && time_s <= hold.time_s[1] + 1e-6
            })
            .collect();
        for (side, figure) in hold.figures.iter().enumerate() {
            let truth = frames.iter().map(|frame| HANDHELD.truth_deg[*frame][side]);
            let truth = truth.sum::<f64>() / frames.len() as f64;
            let (value, sd) = (figure.deflection_deg.value, figure.deflection_deg.sd);
            errors.push((value - truth, sd));
            println!(
                "{:+} % frames {:?}..{:?}: {value:+.3}° ± {:.3}, truth {truth:+.3}",
                hold.stick_pct,
                frames.first(),
                frames.last(),
                2.0 * sd
            );
        }
    }
    println!("RMS {:.4}°", rms(errors.iter().map(|it| it.0)));
    assert_eq!(
        found,
        [0, 100, 50, 0, -50, -100, -50, 0, 50, 100, 0].map(f64::from)
    );
    let inside = inside(errors.iter().copied());
    // Of 22 figures 21 are inside in the mean; fewer than 18 by chance once in a hundred times.
    assert!(inside >= 18, "{inside} of {}", errors.len());
}
