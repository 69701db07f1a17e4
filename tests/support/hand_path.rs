//! How a hand moves the camera.

use super::random::Random;
use super::rigid::{Pose, apply, turn_by_vector};

/// A calm hand's path: a few slow waves in each direction.
pub(super) struct HandPath {
    /// Amplitude, frequency (rad/s), phase: three waves for each of six directions.
    waves: Vec<[[f64; 3]; 3]>,
}

impl HandPath {
    pub fn new(size: f64, random: &mut Random) -> Self {
        let waves = (0..6)
            .map(|direction| {
                let amplitude = if direction < 3 { 14.0 } else { 0.020 };
                [(0.5, 0.6), (1.4, 0.35), (4.0, 0.08)].map(|(rate, share)| {
                    [
                        size * amplitude * share * random.between(0.6, 1.4),
                        rate * random.between(0.7, 1.4),
                        random.between(0.0, std::f64::consts::TAU),
                    ]
                })
            })
            .collect();
        Self { waves }
    }

    pub fn camera_from_world(&self, time_s: f64) -> Pose {
        let moved: Vec<f64> = self
            .waves
            .iter()
            .map(|waves| {
                waves
                    .iter()
                    .map(|[a, w, p]| a * (w * time_s + p).sin())
                    .sum()
            })
            .collect();
        // The hand turns the camera about the aircraft's middle, so that it stays in the picture.
        let rotation = turn_by_vector([moved[3], moved[4], moved[5]]);
        let middle = [0.0, 0.0, 800.0];
        let turned = apply(&rotation, middle);
        Pose {
            rotation,
            translation: std::array::from_fn(|i| middle[i] - turned[i] + moved[i]),
        }
    }
}
