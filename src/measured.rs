//! A value with its standard deviation.

use serde::{Deserialize, Serialize};

use crate::conventions::COVERAGE_FACTOR;

/// A value and its standard deviation, in the unit of the field's name.
///
/// In files it reads `{"value": …, "u": …}` where `u` is the expanded uncertainty (k = 2).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "Expanded", into = "Expanded")]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Standard deviation (standard uncertainty of JCGM 100:2008, 2.3.1).
    pub sd: f64,
}

impl Measured {
    /// A value with its standard deviation.
    pub fn new(value: f64, sd: f64) -> Self {
        Self { value, sd }
    }

    /// A value with its expanded uncertainty, k = 2.
    pub fn from_expanded(value: f64, u: f64) -> Self {
        Self::new(value, u / COVERAGE_FACTOR)
    }

    /// Expanded uncertainty, k = 2.
    pub fn u(&self) -> f64 {
        COVERAGE_FACTOR * self.sd
    }

    /// The same quantity in another unit, or any other multiple of it.
    pub fn scaled(&self, factor: f64) -> Self {
        Self::new(self.value * factor, self.sd * factor.abs())
    }
}

/// How a [`Measured`] is written to files.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Expanded {
    value: f64,
    u: f64,
}

impl From<Expanded> for Measured {
    fn from(expanded: Expanded) -> Self {
        Self::from_expanded(expanded.value, expanded.u)
    }
}

impl From<Measured> for Expanded {
    fn from(measured: Measured) -> Self {
        Self {
            value: measured.value,
            u: measured.u(),
        }
    }
}
