//! Transfer: how the code values of a video stand for light, as its stream declares.

use ffmpeg_the_third::color::TransferCharacteristic;
use ffmpeg_the_third::frame::Video;
use serde::{Deserialize, Serialize};

/// How shares of the range of code values stand for light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Transfer {
    /// Ordinary pictures and video (IEC 61966-2-1, ITU-R BT.709): close to a power. Also where nothing
    /// else is declared.
    #[default]
    Power,
    /// Hybrid log-gamma (ITU-R BT.2100, table 5), as phones record "HDR".
    HybridLogGamma,
    /// Perceptual quantisation (ITU-R BT.2100, table 4; SMPTE ST 2084).
    PerceptualQuantisation,
}

/// The constants of hybrid log-gamma, ITU-R BT.2100 table 5.
const HLG: [f64; 3] = [0.178_832_77, 0.284_668_92, 0.559_910_73];
/// The constants m1, m2, c1, c2, c3 of perceptual quantisation, ITU-R BT.2100 table 4.
const PQ: [f64; 5] = [
    2610.0 / 16384.0,
    2523.0 / 4096.0 * 128.0,
    3424.0 / 4096.0,
    2413.0 / 4096.0 * 32.0,
    2392.0 / 4096.0 * 32.0,
];

impl Transfer {
    /// The transfer that a decoded frame declares.
    pub(super) fn of(frame: &Video) -> Self {
        match frame.color_transfer_characteristic() {
            TransferCharacteristic::ARIB_STD_B67 => Self::HybridLogGamma,
            TransferCharacteristic::SMPTE2084 => Self::PerceptualQuantisation,
            _ => Self::Power,
        }
    }

    /// Light, 0 to 1, of a share of the range of code values, and its change per share.
    ///
    /// [`Transfer::Power`] leaves the share as it is: its exponent is the camera's own.
    pub fn light(self, share: f64) -> [f64; 2] {
        match self {
            Self::Power => [share, 1.0],
            Self::HybridLogGamma if share <= 0.5 => [share * share / 3.0, 2.0 * share / 3.0],
            Self::HybridLogGamma => {
                let [a, b, c] = HLG;
                let grown = ((share - c) / a).exp();
                [(grown + b) / 12.0, grown / (12.0 * a)]
            }
            Self::PerceptualQuantisation => {
                let [m1, m2, c1, c2, c3] = PQ;
                let root = share.max(f64::MIN_POSITIVE).powf(1.0 / m2);
                let (above, below) = ((root - c1).max(f64::MIN_POSITIVE), c2 - c3 * root);
                let light = (above / below).powf(1.0 / m1);
                let by_root = (1.0 / above + c3 / below) / m1;
                [
                    light,
                    light * by_root * root / (m2 * share.max(f64::MIN_POSITIVE)),
                ]
            }
        }
    }

    /// The share of the range of code values that stands for a light of 0 to 1.
    pub fn share(self, light: f64) -> f64 {
        match self {
            Self::Power => light,
            Self::HybridLogGamma if light <= 1.0 / 12.0 => (3.0 * light).sqrt(),
            Self::HybridLogGamma => {
                let [a, b, c] = HLG;
                a * (12.0 * light - b).ln() + c
            }
            Self::PerceptualQuantisation => {
                let [m1, m2, c1, c2, c3] = PQ;
                let root = light.powf(m1);
                ((c1 + c2 * root) / (1.0 + c3 * root)).powf(m2)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_abs_diff_eq;

    use super::*;

    #[test]
    fn light_of_known_signals_is_that_of_the_recommendation() {
        // ITU-R BT.2408-7, table 1: reference white, 203 cd/m², is 75 % of the signal in HLG and 58 % in PQ.
        let [hlg, _] = Transfer::HybridLogGamma.light(0.75);
        assert_abs_diff_eq!(hlg, 0.265, epsilon = 0.001);
        let [pq, _] = Transfer::PerceptualQuantisation.light(0.5807);
        assert_abs_diff_eq!(pq * 10_000.0, 203.0, epsilon = 0.5);
        // ITU-R BT.2100, table 5: both pieces meet at a signal of one half, a light of 1/12.
        assert_abs_diff_eq!(Transfer::HybridLogGamma.light(0.5)[0], 1.0 / 12.0);
        assert_abs_diff_eq!(Transfer::HybridLogGamma.light(1.0)[0], 1.0, epsilon = 1e-6);
    }

    #[test]
    fn shares_and_slopes_belong_to_the_light() {
        for transfer in [
            Transfer::Power,
            Transfer::HybridLogGamma,
            Transfer::PerceptualQuantisation,
        ] {
            for share in [0.1, 0.3, 0.49, 0.51, 0.7, 0.95] {
                let [light, slope] = transfer.light(share);
                assert_abs_diff_eq!(transfer.share(light), share, epsilon = 1e-6);
                let numeric =
                    (transfer.light(share + 1e-6)[0] - transfer.light(share - 1e-6)[0]) / 2e-6;
                assert_abs_diff_eq!(slope, numeric, epsilon = 1e-5);
            }
        }
    }
}
