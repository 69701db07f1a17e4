//! Stations: tells which frames belong to which hold at which stick position.
//!
//! 1. `trace` takes the deflections over time and judges their noise.
//! 2. `rest` finds the spans in which all surfaces rest, from their motion alone.
//! 3. `settle` leaves out settling and the frames next to a move.
//! 4. `cards`, `order` or `marks` tell the stick position of each rest.
//! 5. [`find_holds`] puts holds and neutral together, and doubts what does not fit.

mod cards;
mod error;
mod fitness;
mod marks;
mod order;
mod rest;
mod settle;
mod table;
#[cfg(test)]
pub(crate) mod test_motion;
mod trace;
mod warning;

#[cfg(test)]
mod tests;

pub use error::{CardConflict, RowFault, SeenRest, StationsError};
pub use warning::StationsWarning;

use serde::{Deserialize, Serialize};

use crate::model_file::{ModelFile, StationSource};
use crate::motion::Motion;
use crate::tags::Sightings;
use crate::warning::Warning;
use rest::Rest;
use trace::Trace;

/// The way the stick came to a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Approach {
    /// From a lower stick position.
    Rising,
    /// From a higher stick position.
    Falling,
    /// The clip's first hold: not known.
    First,
}

/// A time span in which the stick rested at a station.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// Stick position.
    pub stick_pct: f64,
    /// The way the stick came.
    pub approach: Approach,
    /// Positions in `Motion::frames` of the settled frames, rising.
    pub frames: Vec<usize>,
    /// First and last time of the settled frames.
    pub time_s: [f64; 2],
}

/// All holds in time, and the frames that define neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct Holds {
    /// In time.
    pub holds: Vec<Hold>,
    /// Positions in `Motion::frames` of all settled frames at stick 0, or of the declared span.
    pub neutral_frames: Vec<usize>,
    /// Stick position of every frame of `Motion::frames`, where known.
    pub stick_pct: Vec<Option<f64>>,
}

/// How holds are found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldOptions {
    /// Time after the arrival at a station that is left out: servo lag, ringing, creep.
    pub settle_s: f64,
    /// Time before the departure to the next station that is left out: the stick already moves.
    pub guard_s: f64,
    /// Shortest time of rest that counts as a hold.
    pub shortest_rest_s: f64,
}

impl Default for HoldOptions {
    /// Times that suit a stick moved by hand and common servos; common practice, no source.
    fn default() -> Self {
        Self {
            settle_s: 0.2,
            guard_s: 0.08,
            shortest_rest_s: 0.2,
        }
    }
}

/// Stick position of each rest, where it could be told.
type Told = Vec<Option<f64>>;

/// Two holds at one station may differ by this and still be the same: play and a weak servo, deg.
/// Common practice, no source.
const SAME_STATION_DEG: f64 = 3.0;

/// The same as a share of the travel; half of the usual spacing of stations.
const SAME_STATION_SHARE: f64 = 1.0 / 16.0;

/// Stick position that counts as neutral, pct; only rounding lies between.
const NEUTRAL_PCT: f64 = 1e-6;

/// Finds the holds in the motion of all surfaces and tells the stick position of each.
///
/// File names are taken relative to the model file. Rests whose station nobody told are left out,
/// with a warning each.
pub fn find_holds(
    motion: &Motion,
    sightings: &Sightings,
    model: &ModelFile,
    options: &HoldOptions,
    warnings: &mut Vec<Warning>,
) -> Result<Holds, StationsError> {
    let trace = Trace::from_motion(motion);
    let rests = rest::find_rests(&trace, options);
    if rests.is_empty() {
        return Err(StationsError::NoHold {
            shortest_rest_s: options.shortest_rest_s,
        });
    }
    let settled: Vec<Vec<usize>> = rests
        .iter()
        .map(|rest| settle::settled_frames(&trace, rest, options))
        .collect();
    let seen: Vec<SeenRest> = rests.iter().map(|rest| seen_rest(&trace, rest)).collect();
    let told = match &model.stations.source {
        StationSource::Cards(stick_by_card) => {
            let pairs = rests.iter().zip(&settled);
            let spans = pairs.map(|(rest, settled)| cards::CardSpan {
                settled,
                whole: [rest.first, rest.last],
                time_s: span_s(&trace, settled),
            });
            let spans: Vec<cards::CardSpan> = spans.collect();
            cards::tell_by_cards(motion, sightings, stick_by_card, &spans, warnings)?
        }
        StationSource::Order(order_pct) => order::tell_by_order(order_pct, &seen, warnings)?,
        StationSource::Marks(file) | StationSource::Log(file) => {
            marks::tell_by_marks(&beside(model, file), &seen, warnings)?
        }
    };
    doubt_stations(motion, &seen, &told, warnings)?;
    let holds = put_together(&trace, &rests, settled, &told);
    let neutral_frames = neutral_frames(&trace, &holds, model.stations.neutral_time_s)?;
    let stick_pct = stick_by_frame(motion.frames.len(), &holds);
    Ok(Holds {
        holds,
        neutral_frames,
        stick_pct,
    })
}

/// A file named in the model file, which is relative to the model file's folder.
fn beside(model: &ModelFile, file: &std::path::Path) -> std::path::PathBuf {
    match model.path.parent() {
        Some(folder) => folder.join(file),
        None => file.to_path_buf(),
    }
}

fn seen_rest(trace: &Trace, rest: &Rest) -> SeenRest {
    SeenRest {
        time_s: [trace.time_s[rest.first], trace.time_s[rest.last]],
        deflection_deg: rest.levels_deg.clone(),
    }
}

/// First and last time of some frames.
fn span_s(trace: &Trace, frames: &[usize]) -> [f64; 2] {
    let time = |frame: Option<&usize>| frame.map_or(f64::NAN, |&frame| trace.time_s[frame]);
    [time(frames.first()), time(frames.last())]
}

/// Refuses stations that were told for quite different deflections; warns where the response
/// turns back.
fn doubt_stations(
    motion: &Motion,
    seen: &[SeenRest],
    told: &[Option<f64>],
    warnings: &mut Vec<Warning>,
) -> Result<(), StationsError> {
    for (surface, surface_motion) in motion.surfaces.iter().enumerate() {
        let points: Vec<(f64, f64, f64)> = seen
            .iter()
            .zip(told)
            .filter_map(|(rest, stick)| {
                Some(((*stick)?, rest.deflection_deg[surface]?, rest.time_s[0]))
            })
            .collect();
        let lowest = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        let highest = points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
        let threshold_deg = SAME_STATION_DEG.max(SAME_STATION_SHARE * (highest - lowest));
        for (later, &(stick_pct, angle_deg, later_s)) in points.iter().enumerate() {
            let same = points[..later].iter().find(|(other_pct, other_deg, _)| {
                *other_pct == stick_pct && (other_deg - angle_deg).abs() > threshold_deg
            });
            if let Some(&(_, other_deg, earlier_s)) = same {
                return Err(StationsError::StationContradicts {
                    stick_pct,
                    times_s: [earlier_s, later_s],
                    surface: surface_motion.name.clone(),
                    difference_deg: (angle_deg - other_deg).abs(),
                    threshold_deg,
                });
            }
        }
    }
    let misfit_deg = fitness::off_monotone_deg(seen, told);
    let threshold_deg = fitness::off_monotone_threshold_deg(seen);
    if misfit_deg > threshold_deg {
        warnings.push(Warning::Stations(StationsWarning::ResponseNotMonotone {
            misfit_deg,
            threshold_deg,
        }));
    }
    Ok(())
}

fn put_together(
    trace: &Trace,
    rests: &[Rest],
    settled: Vec<Vec<usize>>,
    told: &[Option<f64>],
) -> Vec<Hold> {
    let slopes = slope_signs(rests, told);
    let mut holds: Vec<Hold> = Vec::new();
    let mut previous_pct = None;
    for ((rest, frames), &stick) in rests.iter().zip(settled).zip(told) {
        if let Some(stick_pct) = stick {
            let time_s = span_s(trace, &frames);
            holds.push(Hold {
                stick_pct,
                approach: match previous_pct {
                    Some(earlier_pct) if stick_pct > earlier_pct => Approach::Rising,
                    Some(earlier_pct) if stick_pct < earlier_pct => Approach::Falling,
                    _ => approach_by_motion(trace, rest, &slopes),
                },
                frames,
                time_s,
            });
        }
        previous_pct = stick;
    }
    holds
}

/// Whether each surface goes up (+1) or down (−1) with the stick.
fn slope_signs(rests: &[Rest], told: &[Option<f64>]) -> Vec<f64> {
    let surface_count = rests.first().map_or(0, |rest| rest.levels_deg.len());
    let slope = |surface: usize| {
        let points: Vec<(f64, f64)> = rests
            .iter()
            .zip(told)
            .filter_map(|(rest, stick)| Some(((*stick)?, rest.levels_deg[surface]?)))
            .collect();
        let mean_pct = points.iter().map(|p| p.0).sum::<f64>() / points.len() as f64;
        let moments = points.iter().map(|(pct, deg)| (pct - mean_pct) * deg);
        moments.sum::<f64>().signum()
    };
    (0..surface_count).map(slope).collect()
}

/// The approach as the surfaces showed it, where the stick before the hold is not known.
fn approach_by_motion(trace: &Trace, rest: &Rest, slopes: &[f64]) -> Approach {
    let Some(arrivals_deg) = settle::arrivals_deg(trace, rest) else {
        return Approach::First;
    };
    let came_up: f64 = arrivals_deg
        .iter()
        .zip(slopes)
        .filter_map(|(arrival, slope)| Some((*arrival)? * slope))
        .sum();
    if came_up > 0.0 {
        Approach::Rising
    } else if came_up < 0.0 {
        Approach::Falling
    } else {
        Approach::First
    }
}

/// Settled frames at stick 0, or of the declared span where no hold is at 0.
fn neutral_frames(
    trace: &Trace,
    holds: &[Hold],
    declared_s: Option<[f64; 2]>,
) -> Result<Vec<usize>, StationsError> {
    let at_neutral = holds
        .iter()
        .filter(|hold| hold.stick_pct.abs() < NEUTRAL_PCT);
    let frames: Vec<usize> = at_neutral.flat_map(|hold| hold.frames.clone()).collect();
    if !frames.is_empty() {
        return Ok(frames);
    }
    let [from_s, to_s] = declared_s.ok_or(StationsError::NoNeutralHold)?;
    let frames: Vec<usize> = (0..trace.len())
        .filter(|&frame| trace.is_measured(frame))
        .filter(|&frame| trace.time_s[frame] >= from_s && trace.time_s[frame] <= to_s)
        .collect();
    if frames.is_empty() {
        return Err(StationsError::NeutralSpanEmpty { from_s, to_s });
    }
    Ok(frames)
}

fn stick_by_frame(frame_count: usize, holds: &[Hold]) -> Vec<Option<f64>> {
    let mut stick_pct = vec![None; frame_count];
    for hold in holds {
        if let (Some(&first), Some(&last)) = (hold.frames.first(), hold.frames.last()) {
            stick_pct[first..=last].fill(Some(hold.stick_pct));
        }
    }
    stick_pct
}
