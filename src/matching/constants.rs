//! The constants on which the results of this module depend, and the results that each group changes.
//!
//! The prior of a response is in `response_model`. Constants of the arithmetic (rounds of the search, sizes of
//! tables) stay where they are used.

use crate::response_model::HALF_PLAY_PRIOR_DEG;

// Response curves: when a smooth series is not trusted, and the least uncertainty of a station.

/// Least standard deviation of a station, deg: no measurement of a surface on a bench resolves less
/// (common practice, no source). It also keeps exact data solvable.
pub(super) const RESOLUTION_DEG: f64 = 0.001;

/// Scatter above which the smooth series is suspected to miss a real bend, deg.
pub(super) const SUSPECT_SCATTER_DEG: f64 = 0.1;

// Places of the travel at which both sides are compared.

/// Distance of the places at which the sides are compared, % of stick.
pub(super) const GRID_PCT: f64 = 1.0;

/// Distance of the stick positions at which the target is written down, %.
pub(super) const SPACING_PCT: f64 = 10.0;

// Numbers: which of several nearly equal settings is chosen.

/// Worst mismatches nearer than this count as equal, deg: no reading separates them, and the
/// root mean square may choose between them.
pub(super) const WORST_QUANTUM_DEG: f64 = 0.001;

/// Sets whose worst mismatch is no more than this share above the least count as nearly the same.
pub(super) const NEARLY: f64 = 0.03;

/// Least standard deviation of a mismatch that a changed number is held against, deg: nobody
/// sees less.
pub(super) const LEAST_SD_DEG: f64 = 0.01;

/// Least share of a piece that has to be measured for the point beyond it to be searched: a smaller
/// one says next to nothing about that point.
pub(super) const LEAST_SHARE: f64 = 0.1;

/// Steps on either side of the sub-trim that fits neutral best that are tried: one leaves less elsewhere
/// now and then, more would give neutral away where an end is out of reach.
pub(super) const STEPS_TRIED: i64 = 1;

/// Command by which levelling is tried, % of servo travel.
pub(super) const TRIED_PCT: f64 = 2.0;

/// Least turn of neutral that a cost is worked out from, deg.
pub(super) const LEAST_TURN_DEG: f64 = 0.05;

// Bounds: the figures that the report states for the numbers.

/// Number of draws: the 95 % bound of a figure is then known to one percent of cases.
pub(super) const DRAWS: usize = 500;

/// Seed of the draws, so that the same clip gives the same numbers.
pub(super) const SEED: u64 = 21;

/// Share of the draws that stay within the stated "at most".
pub(super) const AT_MOST: f64 = 0.95;

/// Share of the draws below the stated "at least", and above the stated upper end of an
/// interval: both leave 95 % between them.
pub(super) const BEYOND_INTERVAL: f64 = 0.025;

// Significance: whether numbers are proposed at all.

/// Share of aircraft with sides that are alike of which that is seen.
pub(super) const CONFIDENCE: f64 = 0.99;

/// Share of the draws in which a set of changes has to leave less than no change.
pub(super) const WORTH: f64 = 0.99;

/// Places whose mismatch is known better than this are left out: they are at neutral, where it is zero
/// by definition, deg.
pub(super) const NO_DOUBT_DEG: f64 = 0.002;

// Out of reach: where and how far an end is short.

/// Part of the measured travel whose bend an end's travel is carried on with, %.
pub(super) const LAST_PART_PCT: f64 = 20.0;

/// An end point is not extrapolated beyond this share of its present value: there the bend of a
/// linkage is not known (common practice, no source).
pub(super) const FARTHEST: f64 = 1.2;

// Causes: which difference between the linkages is named, and which work by hand is proposed.

/// Standard deviation of a station about a planar linkage, deg: skewed axes and bent rods
/// add about this (common practice, no source).
pub(super) const PLANAR_DEG: f64 = 0.02;

/// Parameters of the linkage that both sides share, with mean and standard deviation over
/// usual models (common practice, no source): ln horn/arm, ln servo turn at 100 %, arm and horn
/// off square, ln distance/arm.
pub(super) const SHARED_PRIOR: [(f64, f64); 5] = [
    (0.35, 0.5),
    (-0.17, 0.17),
    (0.0, 0.17),
    (0.0, 0.17),
    (1.6, 0.4),
];

/// Standard deviation of a difference before anything is measured, in the order of `differing::PARTS`:
/// 20 % in lengths, turn and distance, 15° in angles (common practice, no source).
pub(super) const DIFFERENCE_PRIOR: [f64; 5] = [0.2, 0.2, 0.26, 0.26, 0.2];

/// Standard deviation of a side's zero and half play before anything is measured, deg.
pub(super) const SIDE_PRIOR_DEG: [f64; 2] = [1.0, HALF_PLAY_PRIOR_DEG];

/// Largest χ² per degree of freedom of an explanation: beyond it the linkage is not understood.
pub(super) const MOST_CHI2_PER_FREEDOM: f64 = 3.0;

/// An explanation is clearly better if its χ² is smaller by this: odds of e^4.5, about 90 to 1.
pub(super) const CLEARLY_BETTER: f64 = 9.0;

/// An explanation is out of the question if its χ² is larger by this, five standard deviations: work
/// by hand is hard to undo.
pub(super) const OUT_OF_THE_QUESTION: f64 = 25.0;

/// Work by hand is proposed if it leaves less than this share of the mismatch.
pub(super) const WORTH_SHARE: f64 = 0.5;

/// Angle between two teeth of the usual servo splines of 24 or 25 teeth, deg.
pub(super) const SPLINE_DEG: f64 = 15.0;
