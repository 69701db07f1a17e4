//! Tone: light from code values.

use serde::{Deserialize, Serialize};

use crate::clip::{ClipInfo, Levels, Transfer};

/// The darkest share of the range that differs from black.
const DARKEST: f64 = 0.004;

/// How a clip codes light, as its stream declares.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct Coding {
    pub levels: Levels,
    pub transfer: Transfer,
}

impl Coding {
    pub fn of(clip: &ClipInfo) -> Self {
        Self {
            levels: clip.levels,
            transfer: clip.transfer,
        }
    }

    /// Share of the range of a code value.
    fn share(&self, code: u8) -> f64 {
        let black = f64::from(self.levels.black);
        let range = (f64::from(self.levels.white) - black).max(1.0);
        ((f64::from(code) - black) / range).max(DARKEST)
    }
}

/// Relation between light and shares of the range of code values: the transfer that the stream
/// declares, then the camera's own curve as a power.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct ToneCurve {
    pub exponent: f64,
    pub transfer: Transfer,
}

impl ToneCurve {
    /// The share of the range that represents a light.
    pub fn share(&self, light: f64) -> f64 {
        self.transfer
            .share(light.max(0.0).powf(1.0 / self.exponent))
    }

    /// The light of a share of the range, and the share's change with it.
    fn light(&self, share: f64) -> [f64; 2] {
        let [declared, slope] = self.transfer.light(share);
        let light = declared.powf(self.exponent);
        [light, declared / (self.exponent * light * slope)]
    }
}

/// Relation between light and a camera's code values.
///
/// A tone curve bends a blurred edge: fitted in code values, black squares would look smaller
/// than they are. One exponent beside the declared transfer is enough over the range between a tag's black
/// and its white.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "ToneNumbers", into = "ToneNumbers")]
pub(in crate::tags) struct Tone {
    curve: ToneCurve,
    coding: Coding,
    light: Vec<f64>,
    slope: Vec<f64>,
}

/// A tone without its tables.
#[derive(Serialize, Deserialize)]
struct ToneNumbers {
    exponent: f64,
    coding: Coding,
}

impl From<ToneNumbers> for Tone {
    fn from(numbers: ToneNumbers) -> Self {
        Self::new(numbers.exponent, numbers.coding)
    }
}

impl From<Tone> for ToneNumbers {
    fn from(tone: Tone) -> Self {
        Self {
            exponent: tone.curve.exponent,
            coding: tone.coding,
        }
    }
}

impl Tone {
    /// A tone curve for a clip's code values.
    pub fn new(exponent: f64, coding: Coding) -> Self {
        let curve = ToneCurve {
            exponent,
            transfer: coding.transfer,
        };
        let (light, slope) = (0..=u8::MAX)
            .map(|code| curve.light(coding.share(code)).into())
            .unzip();
        Self {
            curve,
            coding,
            light,
            slope,
        }
    }

    pub fn curve(&self) -> ToneCurve {
        self.curve
    }

    /// Code values of black and white.
    pub fn levels(&self) -> Levels {
        self.coding.levels
    }

    /// Light of a code value, 0 to about 1.
    pub fn light(&self, code: u8) -> f64 {
        self.light[usize::from(code)]
    }

    /// Share of the range that the code value changes per unit of light.
    ///
    /// Noise is about even in code values, so residuals of light are weighted with it.
    pub fn slope(&self, code: u8) -> f64 {
        self.slope[usize::from(code)]
    }
}
