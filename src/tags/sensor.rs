//! Sensor: what the camera makes of light and of edges, learned from the tags themselves.

use nalgebra::Point2;
use serde::{Deserialize, Serialize};

use super::mosaic::{Mosaic, MosaicEstimate, MosaicEvidence};
use super::pattern::Pattern;
use super::refine::refine;
use super::tone::{self, Tone};
use crate::clip::{GreyImage, Levels};

/// Rounds in which the mosaic is learned from the first picture with tags.
const FIRST_ROUNDS: usize = 2;

/// How the camera renders a tag.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Sensor {
    pub tone: Tone,
    pub mosaic: Mosaic,
    learned: MosaicEstimate,
}

impl Sensor {
    /// A sensor whose pixels are all alike.
    pub fn new(tone: Tone) -> Self {
        Self {
            tone,
            mosaic: Mosaic::default(),
            learned: MosaicEstimate::new(),
        }
    }

    /// The sensor with which the given tags look most like their patterns.
    pub fn estimate(
        image: &GreyImage,
        levels: Levels,
        tags: &[(&Pattern, [Point2<f64>; 4])],
    ) -> Self {
        let mut sensor = Self::new(tone::estimate(image, levels, tags));
        for _ in 0..FIRST_ROUNDS {
            let mut learned = MosaicEstimate::new();
            for (pattern, start_px) in tags {
                if let Ok(fit) = refine(image, &sensor, pattern, start_px, None) {
                    learned.add(&fit.mosaic);
                }
            }
            sensor.mosaic = learned.best();
        }
        sensor
    }

    /// Takes in what a frame's tags tell.
    pub fn learn(&mut self, evidence: &MosaicEvidence) {
        self.learned.add(evidence);
        self.mosaic = self.learned.best();
    }
}
