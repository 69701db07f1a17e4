//! Sensor: how the camera renders light and edges, learned from the tags themselves.

use serde::{Deserialize, Serialize};

use super::mosaic::{Mosaic, MosaicEstimate, MosaicEvidence};
use super::tone::Tone;

/// How the camera renders a tag.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct Sensor {
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

    /// Adds the evidence of a frame's tags.
    pub fn learn(&mut self, evidence: &MosaicEvidence) {
        self.learned.add(evidence);
        self.mosaic = self.learned.best();
    }
}
