//! The constants on which the results of this module depend, and the results that each group changes.
//!
//! How play is modelled, and its priors, are in `response_model`.

// Means over frames: which frames count, their weights, and the uncertainty of a mean.

/// Fewest frames of a hold that make a measurement.
pub(super) const FEWEST_HOLD_FRAMES: usize = 2;

/// A frame further than this many robust standard deviations from the median is left out.
pub(super) const OUTLIER_SIGMAS: f64 = 4.0;

/// Smallest standard deviation that outliers are judged by, rad: 0.02°, as little as any real
/// surface shakes.
pub(super) const OUTLIER_FLOOR_RAD: f64 = 3.5e-4;

/// Shake that every frame has beside the corners' noise, rad: 0.05°. It keeps one sharp frame from
/// outweighing all others. Common practice, no source.
pub(super) const SHAKE_RAD: f64 = 8.7e-4;

/// Degrees of freedom with which all holds together speak for the scatter of one.
pub(super) const POOLED_FREEDOM: f64 = 10.0;

/// Largest correlation of neighbouring frames that is believed; above, a hold is one observation.
pub(super) const LARGEST_CORRELATION: f64 = 0.95;

// Health: when an early stop is reported.

/// A last step smaller than this share of the extrapolated one means an early stop. Linkages
/// flatten towards their ends, but usable ones not by this much. Common practice, no source.
pub(super) const STOPPED_SHARE: f64 = 0.25;

/// Extrapolated steps smaller than this are not tested, deg.
pub(super) const SMALLEST_STEP_DEG: f64 = 1.0;

// Lag of a side: which frames determine it.

/// Slower frames do not determine time, deg/s.
pub(super) const SLOWEST_DEG_PER_S: f64 = 5.0;

/// Fewest frames in motion and fewest moves for a lag with an uncertainty.
pub(super) const FEWEST_MOVING_FRAMES: usize = 8;
pub(super) const FEWEST_MOVES: usize = 3;

/// Largest lag that is looked for, s; beyond, the sides do not belong together.
pub(super) const LARGEST_LAG_S: f64 = 0.5;

/// Longest time between the frames that a speed is taken from, s.
pub(super) const LONGEST_SPEED_SPAN_S: f64 = 0.15;

// Warnings: from which figure on.

/// Play above this is reported, deg. Common practice, no source.
pub(super) const MUCH_PLAY_DEG: f64 = 0.5;

/// Visits to neutral further apart than this are worth a look, deg. Common practice, no source.
pub(super) const POOR_RETURN_DEG: f64 = 0.6;

/// Jitter at rest above this is worth a look, deg. Common practice, no source.
pub(super) const MUCH_JITTER_DEG: f64 = 0.15;

/// A lag between the sides above this can be seen by eye, s. Common practice, no source.
pub(super) const LATE_S: f64 = 0.05;
