//! Why the sides differ, in words.

use serde::{Deserialize, Serialize};

use crate::measured::Measured;

/// A part of a linkage in which two sides may differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinkagePart {
    /// Length of the horn against the arm, percent.
    HornLength,
    /// How far the servo turns for one command, percent.
    ServoTurn,
    /// The arm off square at neutral, degrees.
    ArmAngle,
    /// The horn off square at neutral, degrees.
    HornAngle,
}

impl LinkagePart {
    /// Whether it is told in degrees; else in percent.
    pub fn is_angle(self) -> bool {
        matches!(self, Self::ArmAngle | Self::HornAngle)
    }
}

/// How the follower's linkage differs from the reference's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinkageDifference {
    /// What differs.
    pub part: LinkagePart,
    /// By how much: degrees for angles, positive in the sense in which a rising command turns;
    /// percent for the rest, positive where the follower has more.
    pub amount: Measured,
}

impl LinkageDifference {
    /// The difference in plain words.
    pub fn text(&self, follower: &str) -> String {
        let more = self.amount.value > 0.0;
        let (size, u) = (self.amount.value.abs(), self.amount.u());
        let towards = if more { "positive" } else { "negative" };
        match self.part {
            LinkagePart::ArmAngle => format!(
                "at neutral the servo arm of the {follower} stands {size:.1}° ± {u:.1}° farther \
                 towards its {towards} end"
            ),
            LinkagePart::HornAngle => format!(
                "at neutral the horn of the {follower} stands {size:.1}° ± {u:.1}° farther towards \
                 its {towards} end"
            ),
            LinkagePart::HornLength => format!(
                "the horn of the {follower} is {size:.1} % ± {u:.1} % {}, or its servo arm {} by as \
                 much",
                if more { "longer" } else { "shorter" },
                if more { "shorter" } else { "longer" },
            ),
            LinkagePart::ServoTurn => format!(
                "the servo of the {follower} turns {size:.1} % ± {u:.1} % {} for the same command",
                if more { "farther" } else { "less far" },
            ),
        }
    }
}

/// Why two sides differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "told", content = "differences")]
pub enum Cause {
    /// No difference can be told.
    Alike,
    /// These differences together, and no others so well.
    Differs(Vec<LinkageDifference>),
    /// Any one of these explains the stations as well as the others.
    OneOf(Vec<LinkageDifference>),
    /// No one or two differences of a plain linkage explain the stations.
    Unknown,
}
