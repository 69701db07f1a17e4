//! Parameters of a calibration besides focal lengths, principal point and poses.

use crate::camera::INTRINSIC_COUNT;

/// Distortion terms that are estimated; the others stay at zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DistortionTerms {
    /// None: a pinhole.
    None,
    /// k1 alone.
    FirstRadial,
    /// k1 and k2.
    Radial,
    /// k1, k2, p1 and p2.
    RadialTangential,
    /// k1, k2, p1, p2 and k3.
    All,
}

impl DistortionTerms {
    /// From the fewest terms to all, each holding those before it.
    pub const LADDER: [Self; 5] = [
        Self::None,
        Self::FirstRadial,
        Self::Radial,
        Self::RadialTangential,
        Self::All,
    ];

    /// Number of intrinsics estimated, fx fy cx cy among them.
    pub fn intrinsics(&self) -> usize {
        match self {
            Self::None => 4,
            Self::FirstRadial => 5,
            Self::Radial => 6,
            Self::RadialTangential => 8,
            Self::All => INTRINSIC_COUNT,
        }
    }

    /// Their names.
    pub fn words(&self) -> &'static str {
        match self {
            Self::None => "none",
            Self::FirstRadial => "k1",
            Self::Radial => "k1 k2",
            Self::RadialTangential => "k1 k2 p1 p2",
            Self::All => "k1 k2 p1 p2 k3",
        }
    }

    /// Names of those that the step below does not estimate.
    pub fn added_words(&self) -> &'static str {
        match self {
            Self::None => "none",
            Self::FirstRadial => "k1",
            Self::Radial => "k2",
            Self::RadialTangential => "p1 p2",
            Self::All => "k3",
        }
    }
}

/// Numbers that describe a bent board.
pub(super) const BEND: usize = 3;

/// The assumed shape of the board.
///
/// With ξ and η the place on the board from its middle over half its longer side, a bent board
/// rises by b₁ξ² + b₂ξη + b₃η² mm, as paper on a warped plate does. (Targets are seldom flat; for
/// the effect see K. H. Strobl & G. Hirzinger, "More accurate pinhole camera calibration with
/// imperfect planar target", ICCV Workshops 2011.)
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BoardShape {
    /// Flat.
    Flat,
    /// Bent; its bend is estimated.
    Bent,
}
