//! Tone: light from code values.

use serde::{Deserialize, Serialize};

use crate::clip::Levels;

/// The darkest share of the range that is told apart from black.
const DARKEST: f64 = 0.004;

/// How a camera's code values stand for light: `light = share of range ^ exponent`.
///
/// A tone curve bends a blurred edge: fitted in code values, black squares would look smaller
/// than they are. One exponent is enough over the range between a tag's black and its white.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "ToneNumbers", into = "ToneNumbers")]
pub struct Tone {
    exponent: f64,
    levels: Levels,
    light: Vec<f64>,
    slope: Vec<f64>,
}

/// What a tone is made of, without its tables.
#[derive(Serialize, Deserialize)]
struct ToneNumbers {
    exponent: f64,
    levels: Levels,
}

impl From<ToneNumbers> for Tone {
    fn from(numbers: ToneNumbers) -> Self {
        Self::new(numbers.exponent, numbers.levels)
    }
}

impl From<Tone> for ToneNumbers {
    fn from(tone: Tone) -> Self {
        Self {
            exponent: tone.exponent,
            levels: tone.levels,
        }
    }
}

impl Tone {
    /// A tone curve for code values between `levels`.
    pub fn new(exponent: f64, levels: Levels) -> Self {
        let black = f64::from(levels.black);
        let range = (f64::from(levels.white) - black).max(1.0);
        let shares = (0..=u8::MAX).map(|code| ((f64::from(code) - black) / range).max(DARKEST));
        let light = shares.clone().map(|share| share.powf(exponent)).collect();
        let slope = shares
            .map(|share| share.powf(1.0 - exponent) / exponent)
            .collect();
        Self {
            exponent,
            levels,
            light,
            slope,
        }
    }

    /// Code values of black and white.
    pub fn levels(&self) -> Levels {
        self.levels
    }

    /// The exponent.
    pub fn exponent(&self) -> f64 {
        self.exponent
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
