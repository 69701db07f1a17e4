//! Standing: whether a mismatch is within its tolerance, given its uncertainty.

use serde::Serialize;

use crate::matching::Correction;
use crate::measured::Measured;

/// A size compared with a tolerance.
///
/// It counts as within or out only if its whole interval ±u does, so that a wrong judgement is unlikely
/// (guarded decision, JCGM 106:2012, 8.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Within the tolerance.
    Within,
    /// The limit is inside the interval.
    CannotTell,
    /// Out of tolerance.
    Out,
}

impl Standing {
    /// Judges a mismatch; its sign does not matter.
    pub fn of(mismatch_deg: Measured, tolerance_deg: f64) -> Self {
        let (size_deg, u_deg) = (mismatch_deg.value.abs(), mismatch_deg.u());
        if size_deg + u_deg <= tolerance_deg {
            Self::Within
        } else if size_deg - u_deg > tolerance_deg {
            Self::Out
        } else {
            Self::CannotTell
        }
    }

    /// The worst standing of the mismatches at the stations, and between them if known.
    pub fn of_correction(correction: &Correction, tolerance_deg: f64) -> Self {
        correction
            .found_mismatches_deg()
            .map(|mismatch_deg| Self::of(mismatch_deg, tolerance_deg))
            .max()
            .unwrap_or(Self::Within)
    }

    /// The standing in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::CannotTell => "undecided",
            Self::Out => "out",
        }
    }
}
