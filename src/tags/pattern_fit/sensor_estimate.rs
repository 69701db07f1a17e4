//! First estimate of the sensor: the tone and mosaic that make the tags look most like their
//! patterns.

use nalgebra::Point2;

use super::mosaic::MosaicEstimate;
use super::pattern::Pattern;
use super::refine::refine;
use super::sensor::Sensor;
use super::tone::{Coding, Tone};
use crate::clip::{GreyImage, Transfer};

/// Exponents between a linear camera and one with a steep tone curve.
const EXPONENT_RANGE: [f64; 2] = [0.8, 3.2];

/// … and those with a transfer that the stream declares: cameras modify its curve a little.
const EXPONENT_RANGE_BESIDE: [f64; 2] = [0.5, 1.8];

/// Typical of most cameras (IEC 61966-2-1 and ITU-R BT.1886 as a plain power).
const USUAL_EXPONENT: f64 = 2.2;

/// Ratio of the golden section.
const GOLDEN: f64 = 0.618_033_988_749_895;

/// Accuracy of the exponent; it moves corners by less than 0.001 px.
const EXPONENT_STEP: f64 = 0.02;

/// Rounds in which the mosaic is learned from the first picture with tags.
const FIRST_ROUNDS: usize = 2;

fn exponent_range(transfer: Transfer) -> [f64; 2] {
    match transfer {
        Transfer::Power => EXPONENT_RANGE,
        Transfer::HybridLogGamma | Transfer::PerceptualQuantisation => EXPONENT_RANGE_BESIDE,
    }
}

/// The sensor with which the given tags look most like their patterns.
pub(in crate::tags) fn estimate(
    image: &GreyImage,
    coding: Coding,
    tags: &[(&Pattern, [Point2<f64>; 4])],
) -> Sensor {
    let mut sensor = Sensor::new(tone(image, coding, tags));
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

/// The tone that makes the given tags look most like their patterns; the usual one if they do not
/// determine it.
///
/// The sum of squares, taken in code values for every exponent alike, has one minimum, which a
/// golden section search finds (Kiefer 1953).
fn tone(image: &GreyImage, coding: Coding, tags: &[(&Pattern, [Point2<f64>; 4])]) -> Tone {
    let misfit = |exponent: f64| -> f64 {
        let sensor = Sensor::new(Tone::new(exponent, coding));
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
    let [mut low, mut high] = exponent_range(coding.transfer);
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
    let determined = at_left.is_finite() || at_right.is_finite();
    let exponent = match (determined, coding.transfer) {
        (true, _) => (low + high) / 2.0,
        (false, Transfer::Power) => USUAL_EXPONENT,
        (false, _) => 1.0,
    };
    Tone::new(exponent, coding)
}
