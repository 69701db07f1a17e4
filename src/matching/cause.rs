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
    /// How far the servo's pivot is from the hinge against the arm's length, percent.
    Distance,
}

impl LinkagePart {
    /// Whether the unit is degrees; otherwise percent.
    pub fn is_angle(self) -> bool {
        matches!(self, Self::ArmAngle | Self::HornAngle)
    }

    /// Rank by the work that a cure takes: another hole, another tooth, a horn moved, another servo.
    pub(super) fn effort(self) -> usize {
        match self {
            Self::HornLength => 0,
            Self::ArmAngle => 1,
            Self::HornAngle => 2,
            Self::ServoTurn => 3,
            Self::Distance => 4,
        }
    }
}

/// How the follower's linkage differs from the reference's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinkageDifference {
    /// The part that differs.
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
                "at neutral the servo arm of the {follower} is {size:.1}° ± {u:.1}° farther \
                 towards its {towards} end"
            ),
            LinkagePart::HornAngle => format!(
                "at neutral the horn of the {follower} is {size:.1}° ± {u:.1}° farther towards \
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
            LinkagePart::Distance => format!(
                "the servo of the {follower} is {size:.1} % ± {u:.1} % {} its hinge",
                if more { "farther from" } else { "nearer to" },
            ),
        }
    }
}

/// Why two sides differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "told", content = "differences")]
pub enum Cause {
    /// No difference can be seen.
    Alike,
    /// These differences together explain the stations clearly better than others do.
    Differs(Vec<LinkageDifference>),
    /// Any one of these explains the stations about as well as the others; the one that is easiest to
    /// cure first.
    OneOf(Vec<LinkageDifference>),
    /// No one or two differences of a plain linkage explain the stations.
    Unknown,
}
