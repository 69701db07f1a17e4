//! The constants on which the results of this module depend, and the results that each group changes.
//!
//! Settling and guard times, and the shortest rest, are in [`HoldOptions`](super::HoldOptions). Constants of the
//! arithmetic (steps, iterations) stay where they are used.

// Noise of the deflections: where rests begin and end.

/// Smallest standard deviation of a surface at rest, deg: slow shake of servo, linkage and stand,
/// which estimates from neighbouring frames miss. Common practice, no source.
pub(crate) const SHAKE_FLOOR_DEG: f64 = 0.04;

/// A frame further than this many standard deviations from its neighbours' median is a spike.
pub(in crate::stations) const SPIKE_SIGMAS: f64 = 6.0;

/// Frames on either side with which a spike is compared.
pub(in crate::stations) const SPIKE_NEIGHBOURS: usize = 2;

/// Frames closer together than this are not compared to estimate noise, s: their errors
/// are correlated, so that they show too little noise.
pub(in crate::stations) const ALIKE_S: f64 = 0.019;

// Rests: which spans count as a rest, and which of them as one.

/// Errors of pictures closer together are correlated, s: each counts as its share of this time, so
/// that a rest costs the same at every frame rate. Slower ones count in full.
pub(in crate::stations) const INDEPENDENT_S: f64 = 1.0 / 30.0;

/// Price of a frame on the move, per measured deflection, in squared standard deviations: a frame
/// further than about three of them from the level is on the move.
pub(in crate::stations) const MOVE_PRICE: f64 = 9.0;

/// Fee of a rest per surface, in squared standard deviations: the cost of two frames in motion.
pub(in crate::stations) const REST_FEE: f64 = 2.0 * MOVE_PRICE;

/// Rests whose levels differ by less than this on every surface are merged if hardly any time is
/// between them; smaller than the step of any station, larger than slow creep. Common practice.
pub(in crate::stations) const SAME_LEVEL_DEG: f64 = 0.4;

/// Longest time between two parts of one rest; no stick goes away and comes back in this time.
pub(in crate::stations) const SAME_REST_GAP_S: f64 = 0.25;

/// Longest time without a measured deflection inside one rest: motion in it would go unnoticed.
pub(in crate::stations) const LONGEST_UNSEEN_S: f64 = 1.0;

// Creep: which slow spans are no rest.

/// Creep faster than this is a slow move, not a rest, deg/s.
pub(in crate::stations) const FASTEST_CREEP_DEG_PER_S: f64 = 1.5;

/// A creep counts only if it is this many standard errors from none, all surfaces together.
pub(in crate::stations) const CREEP_SIGMAS: f64 = 4.0;

/// Share of a rest at either end that is not tested for creep: with noise, the ends of neighbouring
/// moves hide there.
pub(in crate::stations) const CREEP_MARGIN: f64 = 0.1;

/// A rest shorter than this has to look like one from end to end: nobody shows a station for so
/// short a time, but the soft beginning and end of a slow move hardly leave their place for as
/// long. Common practice, no source.
pub(in crate::stations) const BRIEF_REST_S: f64 = 0.35;

/// A brief rest that runs into a longer one without a frame on the move between, at a level that
/// differs by less than this on every surface, is the slow end of the move to it; no servo steps
/// from station to station between two frames. Common practice, no source.
pub(in crate::stations) const SOFT_END_DEG: f64 = 1.0;

/// A creep through a brief rest counts if it is this many standard errors from none.
pub(in crate::stations) const BRIEF_CREEP_SIGMAS: f64 = 3.0;

// Settling: which frames of a rest count.

/// While any surface is further than this from its level the command is taken to be on its way;
/// the servo's lag and the linkage's ringing come after. Common practice, no source.
pub(in crate::stations) const ARRIVAL_DEG: f64 = 1.0;

/// Largest share of a short rest that settling may take.
pub(crate) const SETTLE_SHARE: f64 = 0.4;

/// Share of the settling time that is kept from the first frame near the level.
pub(in crate::stations) const AFTER_REST_SHARE: f64 = 0.5;

/// Fewest frames that remain when the last frame before a move is left out.
pub(in crate::stations) const FEWEST_SETTLED: usize = 3;

// Labels: which assignments are accepted, and which raise a warning.

/// A second card counts as a contradiction from this share of the frames with a card on; below it
/// was only changed a little early or late. Cards are looked for ten times a second, so one look
/// of three may fall on the next card.
pub(in crate::stations) const CONFLICT_SHARE: f64 = 0.4;

/// Most holds that are looked for as missing or as extra.
pub(in crate::stations) const MOST_MISCOUNTED: usize = 3;

/// Fewer rests do not show which of the declared holds they are.
pub(in crate::stations) const FEWEST_OF_A_BEGINNING: usize = 4;

/// Root mean square distance from a monotone response that play explains, deg. Common practice,
/// no source.
pub(in crate::stations) const OFF_MONOTONE_DEG: f64 = 0.6;

/// The same as a share of the travel.
pub(in crate::stations) const OFF_MONOTONE_SHARE: f64 = 0.015;

/// A way to assign stations is certain if every other is this many times further from a smooth and steady
/// response. Common practice, no source.
pub(in crate::stations) const CLEAR_LABELS_RATIO: f64 = 2.5;

/// Distance from a smooth response that play alone gives, deg; less does not make a way better. Common practice,
/// no source.
pub(in crate::stations) const OFF_BY_PLAY_DEG: f64 = 0.25;

/// Two holds at one station may differ by this and still be the same: play and a weak servo, deg.
/// Common practice, no source.
pub(in crate::stations) const SAME_LABEL_DEG: f64 = 3.0;

/// The same as a share of the travel; half of the usual spacing of stations.
pub(in crate::stations) const SAME_LABEL_SHARE: f64 = 1.0 / 16.0;

// Clock of a stick log: which logs are accepted, and how sure the clock offset is.

/// Prior of the lag of servo, linkage and air gap, s, and its standard deviation: a servo's time
/// constant is between 0 and 0.1 s. Common practice, no source.
pub(in crate::stations) const LAG_S: f64 = 0.05;
pub(in crate::stations) const LAG_SD_S: f64 = 0.03;

/// Longest lag, s; a longer one would replace another clock offset.
pub(in crate::stations) const LARGEST_LAG_S: f64 = 0.3;

/// Time a servo needs for its way at the largest speed before anything is seen, s per pct, and its
/// standard deviation: 0.25 s from end to end. Common practice, no source.
pub(in crate::stations) const SLOWNESS_S_PER_PCT: f64 = 0.00125;
pub(in crate::stations) const SLOWNESS_SD_S_PER_PCT: f64 = 0.003;

/// Largest share of a surface's variance that may be left unexplained: play, shake and uneven
/// servos leave a few thousandths. Common practice, no source.
pub(in crate::stations) const LARGEST_UNEXPLAINED: f64 = 0.02;

/// Share of a surface's variance beyond its noise from which on it does not follow the log as a
/// servo with one lag and one largest speed does: a degree of 18° root mean square.
pub(in crate::stations) const LARGEST_NOT_FOLLOWED: f64 = 0.003;

/// Least share of the clip's measured frames that the log has to cover.
pub(in crate::stations) const LEAST_COVER: f64 = 0.5;

/// Another offset has to leave this many times more unexplained, to be sure of the best. Common
/// practice, no source.
pub(in crate::stations) const CLEAR_OFFSET_RATIO: f64 = 2.5;

/// Differences below this share of the variance decide nothing.
pub(in crate::stations) const LITTLE_UNEXPLAINED: f64 = 0.002;

/// Largest correlation of neighbouring residuals that is believed.
pub(in crate::stations) const LARGEST_CORRELATION: f64 = 0.95;

/// Smallest change of a log that counts as travel, pct.
pub(in crate::stations) const SMALLEST_TRAVEL_PCT: f64 = 20.0;

/// Between rows further apart than this the stick is known only if both rows agree.
pub(in crate::stations) const LONGEST_GAP_S: f64 = 0.3;

/// Two rows agree within this, pct: the steps of common loggers.
pub(in crate::stations) const STICK_AT_REST_PCT: f64 = 1.0;

// Rests labelled from a stick log.

/// The stick rests while it stays this near, pct: a thumb trembles, a logger rounds.
pub(in crate::stations) const STILL_PCT: f64 = 0.75;

/// Share of a rest's frames during which the stick rests at least; below, the surface has stopped
/// while the stick goes on.
pub(in crate::stations) const STILL_SHARE: f64 = 0.6;

/// A change of the stick before a rest that shows its direction, pct.
pub(in crate::stations) const CAME_PCT: f64 = 2.0;

// Sweeps: which frames count for a station, and how fast a sweep may be.

/// Way between stations, pct.
pub(in crate::stations) const SPACING_PCT: f64 = 12.5;

/// Frames count for a station up to this way from it, pct: a response bends little over it.
pub(in crate::stations) const REACH_PCT: f64 = 10.0;

/// The same at the end of a run, which is approached from one side only.
pub(in crate::stations) const END_REACH_PCT: f64 = 15.0;

/// A run ends where the stick goes back by this, pct; loggers and thumbs tremble by less.
pub(in crate::stations) const TURN_BACK_PCT: f64 = 3.0;

/// A run may stop this short of a station and still measure it, pct: the distance of a sweep
/// between two frames.
pub(in crate::stations) const SHORT_PCT: f64 = 1.5;

/// Slower, the stick rests, pct/s.
pub(in crate::stations) const SLOWEST_SWEEP_PCT_PER_S: f64 = 1.0;

/// Fewest frames on a side of a station that the run goes on to.
pub(in crate::stations) const FEWEST_ON_A_SIDE: usize = 3;

/// Fewest frames of a passage: five more than the curve through them has terms.
pub(in crate::stations) const FEWEST_PASSAGE_FRAMES: usize = 8;

/// Surfaces turn, and holds begin and end, within this of the stick, s.
pub(in crate::stations) const NEAR_S: f64 = 0.4;

/// An end of the travel further than this from a station is a station of its own, pct.
pub(in crate::stations) const OWN_END_PCT: f64 = 3.0;

/// Fastest sweep that is measured, pct/s: there an error of 5 ms in timing moves a surface of 25°
/// throw by a tenth of a degree, opposite ways rising and falling. Common practice, no source.
pub(in crate::stations) const FASTEST_LOGGED_PCT_PER_S: f64 = 75.0;

/// A servo at rest may stop short of its command by its dead band, which a sweep does not show:
/// standard deviation, pct. Common practice, no source.
pub(in crate::stations) const DEAD_BAND_SD_PCT: f64 = 0.15;

/// Slower, the stick trembles or rests, pct/s.
pub(in crate::stations) const MOVING_PCT_PER_S: f64 = 5.0;

/// A stick beyond the outermost station by more than this was not measured there, pct.
pub(in crate::stations) const UNMEASURED_PCT: f64 = 12.5;

// Sweeps without a stick log: where the reference gives the stick, and how sure the delay is.

/// Fewest stations that determine the bend of a response.
pub(in crate::stations) const FEWEST_REFERENCE_STATIONS: usize = 3;

/// Stations closer together than this need nothing between them, pct.
pub(in crate::stations) const WIDE_GAP_PCT: f64 = 30.0;

/// Fastest sweep that is measured, pct/s: a faster one may have run the servos at their largest
/// speed. Common practice, no source.
pub(in crate::stations) const FASTEST_BY_REFERENCE_PCT_PER_S: f64 = 60.0;

/// Slower, the stick rests or turns, pct/s.
pub(in crate::stations) const SLOWEST_BY_REFERENCE_PCT_PER_S: f64 = 2.0;

/// Delay of one servo behind another of its kind, s: its standard deviation. Common practice, no
/// source.
pub(in crate::stations) const DELAY_SD_S: f64 = 0.03;

/// Accuracy of half the play from holds, deg: a hold's own error.
pub(in crate::stations) const HALF_PLAY_BY_HOLDS_SD_DEG: f64 = 0.03;
