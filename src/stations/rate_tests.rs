//! Holds at rates from 15 to 240 pictures a second, in the true motion of two rendered clips (see
//! `tests/data/README.md`).

use super::*;
use crate::model_file::StationSource;
use crate::motion::Motion;
use crate::stations::test_motion::{Noise, Truth, model_with, motion_of, sightings_of};

/// Rate of the clips' truth, pictures a second; errors of pictures closer together are alike.
const CLIP_RATE: f64 = 30.0;

/// A hold may use this much before and after the clip's own settled frames, s: two frames of it.
const SLACK_S: f64 = 2.0 / 25.0;

/// A course between its points in time.
fn at(points: &[(f64, f64)], time_s: f64) -> f64 {
    let after = points.partition_point(|point| point.0 < time_s);
    let after = after.clamp(1, points.len() - 1);
    let [(t0, v0), (t1, v1)] = [points[after - 1], points[after]];
    v0 + (v1 - v0) * ((time_s - t0) / (t1 - t0)).clamp(0.0, 1.0)
}

/// The clip's motion at another rate. Errors are drawn thirty times a second, and interpolated as
/// those of a coded video and of a shaking stand.
fn motion(truth: &Truth, rate: f64, noise_deg: f64, seed: u64) -> Motion {
    let mut noise = Noise::new(seed);
    let end_s = truth.time_s[truth.time_s.len() - 1];
    let time_s: Vec<f64> = (0..=(end_s * rate) as usize)
        .map(|frame| frame as f64 / rate)
        .collect();
    let surface = |angles: &Vec<f64>| -> Vec<Option<f64>> {
        let course: Vec<(f64, f64)> = truth.time_s.iter().copied().zip(angles.clone()).collect();
        let draws = noise.normal((end_s * CLIP_RATE) as usize + 2);
        let errors: Vec<(f64, f64)> = draws
            .into_iter()
            .enumerate()
            .map(|(draw, error)| (draw as f64 / CLIP_RATE, noise_deg * error))
            .collect();
        time_s
            .iter()
            .map(|&t| Some(at(&course, t) + at(&errors, t)))
            .collect()
    };
    let angles_deg: Vec<Vec<Option<f64>>> = truth.angles_deg.iter().map(surface).collect();
    motion_of(&time_s, &angles_deg, noise_deg)
}

#[test]
fn the_same_holds_are_found_at_every_rate() {
    for name in ["tripod", "handheld"] {
        let truth = Truth::read(name);
        let order: Vec<f64> = truth.holds.iter().map(|hold| hold.0).collect();
        let model = model_with(StationSource::Order(order.clone()));
        for rate in [15.0, 24.0, 60.0, 120.0, 240.0] {
            for (noise_deg, seed) in (0..6).flat_map(|seed| [(0.05, seed), (0.15, seed)]) {
                let case = format!("{name}, {rate}/s, {noise_deg} deg, seed {seed}");
                let motion = motion(&truth, rate, noise_deg, seed);
                let times: Vec<f64> = motion.frames.iter().map(|frame| frame.time_s).collect();
                let sightings = sightings_of(&times, &vec![None; times.len()]);
                let mut warnings = vec![];
                let options = HoldOptions::default();
                let holds = find_holds(&motion, &sightings, &model, &options, &mut warnings)
                    .unwrap_or_else(|error| panic!("{case}: {error}"));
                let found: Vec<f64> = holds.holds.iter().map(|hold| hold.stick_pct).collect();
                assert_eq!(found, order, "{case}");
                assert_eq!(warnings, [], "{case}");
                for (hold, &(_, first, last)) in holds.holds.iter().zip(&truth.holds) {
                    let [from_s, to_s] = [first, last].map(|frame| truth.time_s[frame]);
                    let inside =
                        hold.time_s[0] > from_s - SLACK_S && hold.time_s[1] < to_s + SLACK_S;
                    assert!(inside, "{case}: {:?} of {from_s}..{to_s}", hold.time_s);
                }
            }
        }
    }
}
