//! The numbers that serve best: end points and curve together.
//!
//! For each side of neutral the curve is searched on every end point that may serve, the most
//! promising first. Of sets that leave nearly the same, those with fewer and smaller changes are taken.

use super::constants::{LEAST_SD_DEG, NEARLY};
use crate::model_file::Settings;

use super::chain::{self, BestCurve};
use super::end_points::{self, side_of, with_end_point};
use super::error::MatchingError;
use super::pair::Pair;
use super::places::Place;
use super::score::{Aim, Score};
use super::sub_trim;

/// The best numbers.
#[derive(Debug, Clone)]
pub(super) struct Best {
    pub settings: Settings,
    /// End points alone, where they serve best by themselves.
    pub ends_alone: Settings,
    /// How much less another curve could leave at most with these end points, deg.
    pub gap_deg: f64,
}

/// The best numbers for the follower, with as few changes of its present numbers as possible.
///
/// Sub-trim is solved together with the others where a level zero says how the neutrals compare.
pub(super) fn best(pair: &Pair, places: &[Place]) -> Result<Best, MatchingError> {
    let change_deg2 = change_deg2(pair, places);
    let ends_alone = best_ends_alone(pair, places);
    if pair.radio().curve_points_pct.is_none() {
        return Ok(Best {
            settings: ends_alone.clone(),
            ends_alone,
            gap_deg: 0.0,
        });
    }
    let entered_pct = pair.follower_active.sub_trim_pct;
    let mut curves: Vec<BestCurve> = sub_trim::candidates(pair, places)
        .iter()
        .filter_map(|base| best_on(pair, places, base, &ends_alone, change_deg2))
        .collect();
    for curve in &mut curves {
        if curve.settings.sub_trim_pct != entered_pct {
            curve.squares_deg2 += change_deg2;
        }
    }
    let least_deg = curves
        .iter()
        .map(|curve| curve.worst_deg)
        .fold(f64::INFINITY, f64::min);
    let nearly =
        |curve: &BestCurve| curve.worst_deg <= (1.0 + NEARLY) * least_deg + Score::SAME_DEG;
    let curve = curves
        .into_iter()
        .filter(nearly)
        .min_by(|a, b| a.squares_deg2.total_cmp(&b.squares_deg2))
        .ok_or_else(|| MatchingError::NothingFeasible {
            follower: pair.names()[1].into(),
        })?;
    Ok(Best {
        gap_deg: if curve.proven { 0.0 } else { curve.worst_deg },
        settings: curve.settings,
        ends_alone,
    })
}

/// The best end points by themselves, on the sub-trim with which they serve best.
fn best_ends_alone(pair: &Pair, places: &[Place]) -> Settings {
    let candidates = sub_trim::candidates(pair, places);
    let bases = candidates.iter();
    let mut solved = bases.map(|base| end_points::best(pair, places, base));
    let Some(mut best) = solved.next() else {
        return pair.follower_active.clone();
    };
    for settings in solved {
        if Score::of(pair, places, &settings).beats(&Score::of(pair, places, &best)) {
            best = settings;
        }
    }
    best
}

/// The best end points and curve with a sub-trim.
fn best_on(
    pair: &Pair,
    places: &[Place],
    found: &Settings,
    ends_alone: &Settings,
    change_deg2: f64,
) -> Option<BestCurve> {
    let mut ends = found.clone();
    for side in [0, 1] {
        let own = side_of(pair, places, found, side);
        let tried = end_points::candidates(pair, places, found, ends_alone, side);
        if let Some(end_point) = best_end_point(pair, &own, (&ends, side), &tried, change_deg2) {
            ends.end_points_pct[side] = end_point;
        }
    }
    best_curve(pair, places, &ends, change_deg2)
        .or_else(|| best_curve(pair, places, found, change_deg2))
}

/// Least gain of each changed number in the sum of squares over the places: as much as the clip
/// can resolve there, deg².
fn change_deg2(pair: &Pair, places: &[Place]) -> f64 {
    let variance = |place: &Place| {
        let ideal_pct = pair.ideal_command_pct(place.target_deg);
        pair.sd_deg(place.reference_pct, ideal_pct)
            .max(LEAST_SD_DEG)
            .powi(2)
    };
    places.iter().map(variance).sum()
}

/// The best curve on given end points; of nearly the same the one with fewer changes.
fn best_curve(
    pair: &Pair,
    places: &[Place],
    ends: &Settings,
    change_deg2: f64,
) -> Option<BestCurve> {
    let least = chain::best(pair, places, ends, Aim::least(change_deg2))?;
    let nearly = Aim::within((1.0 + NEARLY) * least.worst_deg, change_deg2);
    chain::best(pair, places, ends, nearly).or(Some(least))
}

/// The end point of a side on which the best curve of that side leaves least; of nearly the same the
/// one that asks for the fewest changes.
fn best_end_point(
    pair: &Pair,
    own: &[Place],
    (base, side): (&Settings, usize),
    tried: &[f64],
    change_deg2: f64,
) -> Option<f64> {
    let with = |end_point: f64| with_end_point(base, side, end_point);
    let mut promising: Vec<(f64, f64)> = tried
        .iter()
        .map(|&end| (chain::least_possible_deg(pair, own, &with(end)), end))
        .collect();
    promising.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let (mut solved, mut least_deg) = (Vec::new(), f64::INFINITY);
    for (possible_deg, end_point) in promising {
        if possible_deg > (1.0 + NEARLY) * least_deg {
            break;
        }
        let least = Aim::least(change_deg2);
        if let Some(curve) = chain::best(pair, own, &with(end_point), least) {
            least_deg = least_deg.min(curve.worst_deg);
            solved.push((end_point, curve.worst_deg));
        }
    }
    let allowed_deg = (1.0 + NEARLY) * least_deg;
    let nearly = solved
        .into_iter()
        .filter(|(_, worst_deg)| *worst_deg <= allowed_deg + Score::SAME_DEG);
    let costs_deg2 = nearly.filter_map(|(end_point, _)| {
        let aim = Aim::within(allowed_deg, change_deg2);
        let curve = chain::best(pair, own, &with(end_point), aim)?;
        let is_entered = end_point == base.end_points_pct[side];
        let change = if is_entered { 0.0 } else { change_deg2 };
        Some((end_point, curve.squares_deg2 + change))
    });
    costs_deg2
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(end_point, _)| end_point)
}
