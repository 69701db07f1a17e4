//! How neutral itself drifted, in words that a person can act on.

use super::{Kept, active};
use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::measurement::{Measurement, NeutralRecord};
use crate::motion::TagsAtNeutral;
use crate::registration::{LARGEST_MISFIT, Registration, register};

/// A change with a larger uncertainty is not reported, degrees: nobody would need it so roughly.
const WIDEST_DEG: f64 = 2.0;

/// How the neutral of one surface changed since an earlier measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct NeutralDrift {
    /// Day of the earlier measurement, else the name of its entry.
    pub since: String,
    /// The surface.
    pub surface: String,
    /// It stands upright: positive is trailing edge left.
    pub upright: bool,
    /// The other side, where the change is given relative to it.
    pub against: Option<String>,
    /// What was found.
    pub change: NeutralChange,
    /// Whether numbers that move neutral were changed in between, for this surface or the other side.
    pub numbers_changed: bool,
}

/// What the measurements show about neutral.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NeutralChange {
    /// Later minus earlier neutral, in the sense of deflections.
    Known(Measured),
    /// The tags are not where they were relative to each other: one was moved, or a part of the airframe.
    TagsMoved,
}

impl NeutralDrift {
    /// Expanded uncertainty, where a change is given.
    pub fn u_deg(&self) -> Option<f64> {
        match self.change {
            NeutralChange::Known(change) => Some(change.u()),
            NeutralChange::TagsMoved => None,
        }
    }

    /// Whether neutral moved by more than its doubt.
    pub fn is_sure(&self) -> bool {
        matches!(self.change, NeutralChange::Known(change) if change.value.abs() > change.u())
    }
}

/// The change of neutral of every surface since every earlier measurement that shows it; and of a
/// follower against its reference, where that is better determined, as it is without an airframe tag.
///
/// Measurements of programs that did not keep the places of the tags are passed over.
pub fn neutral_drifts(latest: &Measurement, earlier: &[Kept]) -> Vec<NeutralDrift> {
    let places = |measurement: &Measurement| -> Vec<TagsAtNeutral> {
        let records = measurement.neutral_records();
        records.filter_map(NeutralRecord::tags_at_neutral).collect()
    };
    let now = places(latest);
    let mut drifts = Vec::new();
    for kept in earlier {
        let then = places(&kept.measurement);
        let pairs = then
            .iter()
            .flat_map(|then| now.iter().map(move |now| (then, now)));
        drifts.extend(pairs.flat_map(|(then, now)| since(latest, now, kept, then)));
    }
    drifts
}

/// Neutral of a surface in each measurement that shows it against the airframe, less that of the latest one, degrees;
/// the oldest comes first. `None` where no earlier one shows it.
///
/// Takes the drifts as [`neutral_drifts`] lists them: of the latest of the earlier measurements first.
pub fn neutral_against_latest(surface: &str, drifts: &[NeutralDrift]) -> Option<Vec<Measured>> {
    let of_surface = drifts.iter().rev().filter_map(|drift| match drift.change {
        NeutralChange::Known(change) if drift.surface == surface && drift.against.is_none() => {
            Some(change.scaled(-1.0))
        }
        _ => None,
    });
    let earlier: Vec<Measured> = of_surface.collect();
    let latest = Measured::new(0.0, 0.0);
    (!earlier.is_empty()).then(|| earlier.into_iter().chain([latest]).collect())
}

/// The changes since one earlier measurement.
fn since(
    latest: &Measurement,
    now: &TagsAtNeutral,
    kept: &Kept,
    then: &TagsAtNeutral,
) -> Vec<NeutralDrift> {
    let before = &kept.measurement;
    let Some(found) = register(then, now) else {
        return Vec::new();
    };
    let position = |name: &str| found.surfaces.iter().position(|surface| surface == name);
    let changed = |name: &str| numbers_at_neutral(latest, name) != numbers_at_neutral(before, name);
    let drift = |surface: &str, against: Option<&str>| {
        let other = match against {
            Some(name) => Some(position(name)?),
            None => None,
        };
        let change = change(&found, position(surface)?, other);
        is_fine_enough(change).then(|| NeutralDrift {
            since: kept.day(),
            surface: surface.into(),
            upright: latest.surface(surface).is_some_and(|found| found.upright),
            against: against.map(Into::into),
            change,
            numbers_changed: changed(surface) || against.is_some_and(changed),
        })
    };
    let surfaces = latest.surfaces.iter();
    let single: Vec<NeutralDrift> = surfaces
        .filter_map(|surface| drift(&surface.name, None))
        .collect();
    let pairs = latest.groups.iter().flat_map(|group| {
        let reference = group.reference.as_str();
        group.followers.iter().map(move |name| (name, reference))
    });
    let adds = |pair: &NeutralDrift| {
        let own = single.iter().find(|own| own.surface == pair.surface);
        own.and_then(NeutralDrift::u_deg)
            .is_none_or(|own_deg| pair.u_deg().is_some_and(|u_deg| u_deg < own_deg))
    };
    let pairs: Vec<NeutralDrift> = pairs
        .filter(|_| found.misfit <= LARGEST_MISFIT)
        .filter_map(|(surface, reference)| drift(surface, Some(reference)))
        .filter(adds)
        .collect();
    single.into_iter().chain(pairs).collect()
}

/// What was entered that moves neutral: sub-trim, and the curve at stick 0; the whole curve where it
/// has no point there. End points leave neutral in place.
fn numbers_at_neutral(measurement: &Measurement, surface: &str) -> (f64, Vec<f64>) {
    let entered = active(measurement, surface).unwrap_or_default();
    let radio = measurement.radio.as_ref();
    let points = radio.and_then(|radio| radio.curve_points_pct.as_deref());
    let at_zero = points.and_then(|points| points.iter().position(|point| *point == 0.0));
    let curve = match at_zero.and_then(|point| entered.curve_pct.get(point)) {
        Some(addition) => vec![*addition],
        None => entered.curve_pct,
    };
    let is_flat = curve.iter().all(|addition| *addition == 0.0);
    (entered.sub_trim_pct, if is_flat { vec![] } else { curve })
}

fn is_fine_enough(change: NeutralChange) -> bool {
    match change {
        NeutralChange::Known(change) => change.u() <= WIDEST_DEG,
        NeutralChange::TagsMoved => true,
    }
}

/// The change of one surface, or of it against another.
///
/// Where places fit worse than the fits claim, the doubt is widened to make up for it (R. T. Birge,
/// Phys. Rev. 40 (1932) 207): real corners err in ways that are the same throughout a clip. How well
/// a surface comes back to neutral has nothing to do with the misfit and is added after it.
fn change(found: &Registration, surface: usize, against: Option<usize>) -> NeutralChange {
    if found.misfit > LARGEST_MISFIT {
        return NeutralChange::TagsMoved;
    }
    let covariance = &found.covariance_rad2;
    let mut value_rad = found.turns_rad[surface];
    let mut variance_rad2 = covariance[(surface, surface)];
    let mut return_rad2 = found.return_rad2[surface];
    if let Some(other) = against {
        value_rad -= found.turns_rad[other];
        variance_rad2 += covariance[(other, other)] - 2.0 * covariance[(surface, other)];
        return_rad2 += found.return_rad2[other];
    }
    let sd_rad = (variance_rad2.max(0.0) * found.misfit.max(1.0) + return_rad2).sqrt();
    NeutralChange::Known(Measured::new(value_rad, sd_rad).scaled(deg_from_rad(1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drift(against: Option<&str>, change: NeutralChange) -> NeutralDrift {
        NeutralDrift {
            since: "2026-11-25".into(),
            surface: "rudder".into(),
            upright: true,
            against: against.map(Into::into),
            change,
            numbers_changed: false,
        }
    }

    #[test]
    fn neutral_against_the_latest_takes_what_is_known_against_the_airframe_oldest_first() {
        let known = |value: f64| NeutralChange::Known(Measured::new(value, 0.1));
        let others = [
            drift(Some("fin"), known(0.4)),
            drift(None, NeutralChange::TagsMoved),
        ];
        assert_eq!(neutral_against_latest("rudder", &others), None);
        let drifts = [drift(None, known(0.4)), drift(None, known(0.7))];
        assert_eq!(neutral_against_latest("fin", &drifts), None);
        // Later less earlier is 0.4 and 0.7, so the earlier ones were lower by as much.
        let expected = [(-0.7, 0.1), (-0.4, 0.1), (0.0, 0.0)];
        let expected = expected.map(|(value, sd)| Measured::new(value, sd));
        assert_eq!(
            neutral_against_latest("rudder", &drifts),
            Some(expected.to_vec())
        );
    }
}
