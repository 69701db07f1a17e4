//! Covered: which part of the declared travel the clip shows.

use crate::model_file::StationSource;
use crate::stations::hold::Hold;
use crate::stations::sweeps::sweep::Sweeps;
use crate::stations::warning::StationsWarning;
use crate::statistics::extremes;
use crate::stick;

/// Warns of ends that were never shown, and of stations in between that were skipped.
///
/// Cards and an order show the intention: their outermost stations are the ends, and a station is
/// expected if its opposite one was shown.
pub(super) fn doubt_travel(
    holds: &[Hold],
    sweeps: &Sweeps,
    source: &StationSource,
    warnings: &mut Vec<StationsWarning>,
) {
    let declared: Vec<f64> = match source {
        StationSource::Cards(stick_by_card) => stick_by_card.values().copied().collect(),
        StationSource::Order(order_pct) => order_pct.clone(),
        StationSource::Marks(_) | StationSource::Log(_) => return,
    };
    let declared = stick::distinct_pct(declared.into_iter());
    let shown: Vec<f64> = holds
        .iter()
        .map(|hold| hold.stick_pct)
        .chain(sweeps.passages.iter().map(|passage| passage.stick_pct))
        .collect();
    let (Some(&first), Some(&last)) = (declared.first(), declared.last()) else {
        return;
    };
    let [lowest, highest] = extremes(shown.iter().copied());
    let same_pct = stick::SAME_STATION_PCT;
    let is_beyond = |end: &f64| *end < lowest - same_pct || *end > highest + same_pct;
    let missing_pct: Vec<f64> = [first, last].into_iter().filter(is_beyond).collect();
    if !missing_pct.is_empty() {
        warnings.push(StationsWarning::TravelNotCovered {
            shown_pct: [lowest, highest],
            missing_pct,
        });
    }
    let is_shown = |stick_pct: f64| {
        shown
            .iter()
            .any(|&other| stick::is_same_station(other, stick_pct))
    };
    let skipped: Vec<f64> = declared
        .into_iter()
        .filter(|&stick_pct| lowest < stick_pct && stick_pct < highest)
        .filter(|&stick_pct| !is_shown(stick_pct) && is_shown(-stick_pct))
        .collect();
    if !skipped.is_empty() {
        warnings.push(StationsWarning::StationsSkipped {
            sticks_pct: skipped,
        });
    }
}
