//! Tone: light from code values.

use nalgebra::Point2;
use serde::{Deserialize, Serialize};

use super::pattern::Pattern;
use super::refine::refine;
use super::sensor::Sensor;
use crate::clip::{GreyImage, Levels};

/// Exponents between a linear camera and one with a steep tone curve.
pub(super) const EXPONENT_RANGE: [f64; 2] = [0.8, 3.2];

/// What most cameras come near to (IEC 61966-2-1 and ITU-R BT.1886 as a plain power).
pub(super) const USUAL_EXPONENT: f64 = 2.2;

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

/// Ratio of the golden section.
const GOLDEN: f64 = 0.618_033_988_749_895;

/// The exponent is found to this much; corners move by less than 0.001 px for it.
const EXPONENT_STEP: f64 = 0.02;

/// The tone with which the given tags look most like their patterns; the usual one where they
/// can't tell.
///
/// The sum of squares, taken in code values for every exponent alike, has one minimum, which a
/// golden section search finds (Kiefer 1953).
pub(super) fn estimate(
    image: &GreyImage,
    levels: Levels,
    tags: &[(&Pattern, [Point2<f64>; 4])],
) -> Tone {
    let misfit = |exponent: f64| -> f64 {
        let sensor = Sensor::new(Tone::new(exponent, levels));
        let fits = tags
            .iter()
            .filter_map(|(pattern, start)| refine(image, &sensor, pattern, start, None).ok());
        let (sum, count) = fits.fold((0.0, 0), |(sum, count), fit| (sum + fit.squares, count + 1));
        if count == tags.len() && count > 0 {
            sum
        } else {
            f64::INFINITY
        }
    };
    let [mut low, mut high] = EXPONENT_RANGE;
    let mut left = high - GOLDEN * (high - low);
    let mut right = low + GOLDEN * (high - low);
    let (mut at_left, mut at_right) = (misfit(left), misfit(right));
    while high - low > EXPONENT_STEP {
        if at_left < at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - GOLDEN * (high - low);
            at_left = misfit(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + GOLDEN * (high - low);
            at_right = misfit(right);
        }
    }
    let told = at_left.is_finite() || at_right.is_finite();
    Tone::new(
        if told {
            (low + high) / 2.0
        } else {
            USUAL_EXPONENT
        },
        levels,
    )
}
