//! One pair of surfaces before and after: how far the mismatch went down, and whether the proposed
//! numbers were entered.

use crate::matching::{Correction, StationMismatch};
use crate::measured::Measured;
use crate::measurement::Measurement;
use crate::stick;

use super::{ComparedPair, ComparedStation, ComparisonError, Standing};

/// What both measurements of a pair declare about its tolerance and its numbers.
pub(super) struct Declared {
    tolerance_before_deg: Option<f64>,
    tolerance_after_deg: Option<f64>,
    /// Numbers were proposed, and none are declared since.
    proposal_undeclared: bool,
    reference_changed: bool,
    follower_changed: bool,
}

impl Declared {
    /// Collects the declarations for a pair; the corrections are those of the two measurements.
    pub fn between(
        before: &Measurement,
        after: &Measurement,
        earlier: &Correction,
        later: &Correction,
    ) -> Self {
        let is_changed = |side: &str| !after.declares_same(before, side);
        let lacks_proposal =
            |side: &str| before.proposes_change(side) && after.declares_nothing_since(before, side);
        Self {
            tolerance_before_deg: before.tolerance_deg(earlier),
            tolerance_after_deg: after.tolerance_deg(later),
            proposal_undeclared: lacks_proposal(&later.reference)
                || lacks_proposal(&later.follower),
            reference_changed: is_changed(&later.reference),
            follower_changed: is_changed(&later.follower),
        }
    }
}

/// Compares the mismatch of one pair in two measurements.
pub(super) fn compare_pair(
    earlier: &Correction,
    later: &Correction,
    declared: &Declared,
) -> Result<ComparedPair, ComparisonError> {
    let (reference, follower) = (later.reference.clone(), later.follower.clone());
    let Some(tolerance_deg) = declared.tolerance_after_deg else {
        return Err(ComparisonError::NoTolerance {
            reference,
            follower,
        });
    };
    let Some(worst_after_deg) = worst(later) else {
        return Err(ComparisonError::NoStation {
            reference,
            follower,
        });
    };
    let worst_before_deg = worst(earlier);
    let stations = compared_stations(earlier, later, tolerance_deg);
    let standing = Standing::of_correction(later, tolerance_deg);
    let from_level = [earlier, later].map(|correction| correction.neutral_deg.is_some());
    let is_comparable = from_level[0] == from_level[1];
    let is_changed = declared.reference_changed || declared.follower_changed;
    let not_entered = is_changed && is_comparable && is_unmoved(earlier, &stations);
    let proposal_undeclared = declared.proposal_undeclared
        && is_comparable
        && went_down(worst_before_deg, worst_after_deg);
    let another_round_deg = another_round_deg(later, worst_after_deg)
        .filter(|_| standing != Standing::Within && !proposal_undeclared && !not_entered);
    Ok(ComparedPair {
        reference,
        follower,
        tolerance_deg,
        stations,
        worst_before_deg,
        worst_after_deg,
        promised_worst_deg: is_comparable.then(|| promised_deg(earlier, declared)),
        from_level,
        another_round_deg,
        next_settings: another_round_deg.map(|_| later.settings.clone()),
        proposal_undeclared,
        not_entered,
        tolerance_before_deg: declared
            .tolerance_before_deg
            .filter(|before_deg| *before_deg != tolerance_deg),
        standing,
    })
}

/// The stations of the later clip with their mismatch before and after, by rising stick.
fn compared_stations(
    earlier: &Correction,
    later: &Correction,
    tolerance_deg: f64,
) -> Vec<ComparedStation> {
    let compared = |station: &StationMismatch| ComparedStation {
        stick_pct: station.stick_pct,
        before_deg: at_station(&earlier.found_deg, station.stick_pct),
        after_deg: station.mismatch_deg,
        standing: Standing::of(station.mismatch_deg, tolerance_deg),
    };
    let mut stations: Vec<_> = later.found_deg.iter().map(compared).collect();
    stations.sort_by(|a, b| a.stick_pct.total_cmp(&b.stick_pct));
    stations
}

/// The largest mismatch that the first measurement predicted for the numbers that were entered.
fn promised_deg(earlier: &Correction, declared: &Declared) -> f64 {
    if !declared.reference_changed {
        return earlier.predicted_deg.at_most_deg();
    }
    // The reference's numbers show which set was entered.
    match &earlier.exchanged {
        Some(exchanged) if !declared.follower_changed => exchanged.worst_deg,
        _ => earlier.leaves().at_most_deg,
    }
}

/// The largest mismatch after another round of numbers, if new ones are proposed and clearly help.
fn another_round_deg(later: &Correction, worst_after_deg: Measured) -> Option<f64> {
    let proposes = later
        .stages
        .first()
        .is_none_or(|found| found.settings != later.settings);
    let left_deg = later.predicted_deg.at_most_deg();
    let helps = left_deg < worst_after_deg.value - worst_after_deg.u();
    (proposes && helps).then_some(left_deg)
}

/// Whether every station shows the mismatch of the first clip within the uncertainty of both, and at
/// least one clearly differs from the prediction.
fn is_unmoved(earlier: &Correction, stations: &[ComparedStation]) -> bool {
    let differ = |a: Measured, b: Measured| (a.value - b.value).abs() > a.u().hypot(b.u());
    let same = |station: &ComparedStation| {
        let before = station.before_deg;
        before.is_some_and(|before| !differ(before, station.after_deg))
    };
    let missed = |predicted: &[StationMismatch], station: &ComparedStation| {
        let predicted = at_station(predicted, station.stick_pct);
        predicted.is_some_and(|predicted| differ(predicted, station.after_deg))
    };
    let sets = [earlier.leaves().stations, &earlier.predicted_deg.stations];
    let mut sets = sets.iter();
    !stations.is_empty()
        && stations.iter().all(same)
        && sets.any(|set| stations.iter().any(|station| missed(set, station)))
}

/// Whether a mismatch went down by more than the uncertainty of both.
fn went_down(before_deg: Option<Measured>, after_deg: Measured) -> bool {
    before_deg.is_some_and(|before| before.value - before.u() > after_deg.value + after_deg.u())
}

/// Size of the largest mismatch at the stations, and between them if it is known.
fn worst(correction: &Correction) -> Option<Measured> {
    correction
        .found_mismatches_deg()
        .map(|mismatch_deg| Measured::new(mismatch_deg.value.abs(), mismatch_deg.sd))
        .reduce(|worst, size_deg| {
            if size_deg.value > worst.value {
                size_deg
            } else {
                worst
            }
        })
}

fn at_station(stations: &[StationMismatch], stick_pct: f64) -> Option<Measured> {
    stations
        .iter()
        .find(|station| stick::is_same_station(station.stick_pct, stick_pct))
        .map(|station| station.mismatch_deg)
}
