//! Filming: finds the mistake in filming that explains why holds were not found.

use super::rest::Rest;
use crate::stations::error::StationsError;
use crate::stations::trace::Trace;
use crate::statistics::{extremes, median};

/// Pictures further apart than this show too few of a hold, s: three of them have to fall into its
/// settled part. Common practice, no source.
const FAR_APART_S: f64 = 0.2;

/// A move that lasts longer is a sweep, s: a stick goes from one station to the next in a fraction
/// of a second. Common practice, no source.
const SWEEP_S: f64 = 2.0;

/// Through a sweep a surface turns by this at least, deg: more than shake and misreadings.
const SWEEP_DEG: f64 = 5.0;

/// Names the cause of an error in the filming, where there is one.
pub(in crate::stations) fn explained(
    error: StationsError,
    trace: &Trace,
    rests: &[Rest],
) -> StationsError {
    if !is_about_holds(&error) {
        return error;
    }
    let because = Box::new(error);
    let intervals_s = trace.time_s.windows(2).map(|pair| pair[1] - pair[0]);
    if let Some(interval_s) = median(intervals_s).filter(|interval_s| *interval_s > FAR_APART_S) {
        return StationsError::PicturesTooFar {
            interval_s,
            because,
        };
    }
    match longest_move(trace, rests) {
        Some(time_s) => StationsError::SweepWithoutHolds { time_s, because },
        None => *because,
    }
}

/// Whether the error is about holds, not about a file.
fn is_about_holds(error: &StationsError) -> bool {
    matches!(
        error,
        StationsError::NoHold { .. }
            | StationsError::NoCard { .. }
            | StationsError::OneStation { .. }
            | StationsError::CardsContradict { .. }
            | StationsError::StationContradicts { .. }
            | StationsError::WrongCount { .. }
            | StationsError::OrderContradicts { .. }
            | StationsError::NoNeutralHold { .. }
    )
}

/// First and last time of the longest move, if it is a sweep.
fn longest_move(trace: &Trace, rests: &[Rest]) -> Option<[f64; 2]> {
    let last = trace.len().checked_sub(1)?;
    let starts = std::iter::once(0).chain(rests.iter().map(|rest| rest.last));
    let ends = rests.iter().map(|rest| rest.first).chain([last]);
    let lasting_s = |&(from, to): &(usize, usize)| trace.time_s[to] - trace.time_s[from];
    let (from, to) = starts
        .zip(ends)
        .filter(|(from, to)| from <= to)
        .max_by(|a, b| lasting_s(a).total_cmp(&lasting_s(b)))?;
    let travels = trace.surfaces.iter().any(|surface| {
        let [lowest, highest] = extremes(surface.angle_deg[from..=to].iter().flatten().copied());
        highest - lowest > SWEEP_DEG
    });
    (travels && lasting_s(&(from, to)) > SWEEP_S).then(|| [trace.time_s[from], trace.time_s[to]])
}
