//! Comparison: two measurements of one model, before and after numbers were entered.

mod error;
mod pair;
mod standing;

use serde::Serialize;

use crate::matching::Correction;
use crate::measured::Measured;
use crate::measurement::Measurement;
use crate::model_file::Settings;

pub use error::ComparisonError;
use pair::{Declared, compare_pair};
pub use standing::Standing;

/// One station, before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComparedStation {
    /// Stick position.
    pub stick_pct: f64,
    /// Mismatch before, where it was measured.
    pub before_deg: Option<Measured>,
    /// Mismatch after.
    pub after_deg: Measured,
    /// The standing after, against the tolerance.
    pub standing: Standing,
}

/// One follower, before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComparedPair {
    /// Surface that is left alone.
    pub reference: String,
    /// Surface that is adjusted.
    pub follower: String,
    /// Largest accepted mismatch.
    pub tolerance_deg: f64,
    /// By rising stick.
    pub stations: Vec<ComparedStation>,
    /// Size of the largest mismatch before.
    pub worst_before_deg: Option<Measured>,
    /// Size of the largest mismatch after.
    pub worst_after_deg: Measured,
    /// The prediction after the first clip: the largest remaining mismatch at most.
    pub promised_worst_deg: Option<f64>,
    /// Whether the mismatch counts from a level position, before and after. If only one of them does,
    /// the figures cannot be compared.
    pub from_level: [bool; 2],
    /// The largest mismatch after another round of numbers, if that would clearly help.
    pub another_round_deg: Option<f64>,
    /// The numbers of that round: all of the follower's servo, in percent.
    pub next_settings: Option<Settings>,
    /// Numbers were proposed after the first clip and the mismatch clearly went down, but the second
    /// measurement declares none or the earlier ones: whether they were entered is not known.
    pub proposal_undeclared: bool,
    /// The second measurement declares new numbers but shows the motion of the first one, not the
    /// predicted motion: the numbers were probably not entered.
    pub not_entered: bool,
    /// The largest accepted mismatch of the first measurement, if it was different.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tolerance_before_deg: Option<f64>,
    /// The worst of all stations, and between them.
    pub standing: Standing,
}

/// Two measurements of one model side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Names of the model before and after; they differ where it was renamed.
    pub models: [String; 2],
    /// Days of both measurements, where known.
    pub dates: [Option<String>; 2],
    /// One entry for each follower that was measured in both clips.
    pub pairs: Vec<ComparedPair>,
    /// Surfaces that only one of the clips measured.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<MissingSurface>,
    /// The worst of all pairs.
    pub standing: Standing,
}

/// A surface that only one of two clips measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingSurface {
    /// Its name.
    pub surface: String,
    /// Its function, where that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub function: Option<String>,
    /// The clip that does not measure it.
    pub missing: Clip,
}

/// One of two compared clips.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Clip {
    /// The one before numbers were entered.
    Before,
    /// The one after.
    After,
}

/// Refuses measurements of aircraft with different names.
pub fn check_names(before: &Measurement, after: &Measurement) -> Result<(), ComparisonError> {
    if before.model == after.model {
        return Ok(());
    }
    Err(ComparisonError::OtherAircraft {
        before: before.model.clone(),
        after: after.model.clone(),
    })
}

impl Comparison {
    /// Compares the mismatches in two clips; tolerances are those of the later one.
    pub fn of(before: &Measurement, after: &Measurement) -> Result<Self, ComparisonError> {
        if before == after {
            return Err(ComparisonError::SameMeasurement {
                clip: after.clip.path.clone(),
            });
        }
        let pairs = after
            .matches
            .iter()
            .filter_map(|later| {
                let earlier = same_pair(before, after, later)?;
                let declared = Declared::between(before, after, earlier, later);
                Some(compare_pair(earlier, later, &declared))
            })
            .collect::<Result<Vec<_>, _>>()?;
        let Some(standing) = pairs.iter().map(|pair| pair.standing).max() else {
            let [before, after] = [before, after].map(pair_names);
            return Err(ComparisonError::NoSharedPair { before, after });
        };
        Ok(Self {
            models: [before.model.clone(), after.model.clone()],
            dates: [before.date.clone(), after.date.clone()],
            pairs,
            missing: only_in(before, after, Clip::After)
                .chain(only_in(after, before, Clip::Before))
                .collect(),
            standing,
        })
    }
}

/// The match of the same two surfaces in the earlier measurement, in the same function.
fn same_pair<'m>(
    before: &'m Measurement,
    after: &Measurement,
    later: &Correction,
) -> Option<&'m Correction> {
    before.matches.iter().find(|earlier| {
        earlier.reference == later.reference
            && earlier.follower == later.follower
            && before.same_function(after, &later.follower)
    })
}

/// Surfaces of one measurement that the other does not have in the same function.
fn only_in<'m>(
    one: &'m Measurement,
    other: &'m Measurement,
    missing: Clip,
) -> impl Iterator<Item = MissingSurface> + 'm {
    let is_there = |name: &str| other.surface(name).is_some() && one.same_function(other, name);
    let surfaces = one.surfaces.iter();
    surfaces
        .filter(move |surface| !is_there(&surface.name))
        .map(move |surface| MissingSurface {
            surface: surface.name.clone(),
            function: one.function_of(&surface.name).map(Into::into),
            missing,
        })
}

fn pair_names(measurement: &Measurement) -> Vec<String> {
    measurement
        .matches
        .iter()
        .map(|correction| {
            let (follower, reference) = (&correction.follower, &correction.reference);
            match measurement.function_of(follower) {
                Some(function) => format!("{follower} to {reference} ({function})"),
                None => format!("{follower} to {reference}"),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{RIGHT, heron, heron_after};

    #[test]
    fn a_cured_pair_is_within() {
        let comparison = Comparison::of(&heron(), &heron_after()).unwrap();
        assert_eq!(comparison.standing, Standing::Within);
        let pair = &comparison.pairs[0];
        assert_eq!(pair.worst_before_deg.unwrap().value, 1.31);
        assert_eq!(pair.another_round_deg, None);
        assert_eq!(pair.stations[0].stick_pct, -100.0);
    }

    #[test]
    fn a_pair_that_got_no_numbers_is_out_and_another_round_helps() {
        let mut again = heron();
        again.date = Some("2026-11-26".into());
        let comparison = Comparison::of(&heron(), &again).unwrap();
        assert_eq!(comparison.standing, Standing::Out);
        let pair = &comparison.pairs[0];
        assert!(!pair.proposal_undeclared, "the mismatch has not gone");
        assert_eq!(pair.next_settings, Some(again.matches[0].settings.clone()));
        assert_eq!(pair.another_round_deg.unwrap(), 0.14);
        let standings: Vec<Standing> = pair.stations.iter().map(|at| at.standing).collect();
        assert_eq!(standings[0], Standing::Out);
        assert_eq!(standings[3], Standing::Within);
        // −0.24° ± 0.04° against 0.3°.
        assert_eq!(standings[5], Standing::Within);
    }

    #[test]
    fn one_doubtful_station_makes_the_whole_doubtful() {
        let mut after = heron_after();
        after.matches[0].found_deg[2].mismatch_deg = Measured::from_expanded(0.29, 0.04);
        let comparison = Comparison::of(&heron(), &after).unwrap();
        assert_eq!(comparison.standing, Standing::CannotTell);
    }

    #[test]
    fn numbers_that_were_proposed_and_not_declared_are_noticed_where_the_mismatch_has_gone() {
        let mut after = heron_after();
        let declared = Comparison::of(&heron(), &after).unwrap();
        assert!(!declared.pairs[0].proposal_undeclared);
        after.radio = heron().radio;
        after.matches[0].found_deg[2].mismatch_deg = Measured::from_expanded(0.4, 0.04);
        after.matches[0].settings.end_points_pct[0] -= 3.0;
        let comparison = Comparison::of(&heron(), &after).unwrap();
        let pair = &comparison.pairs[0];
        assert!(pair.proposal_undeclared);
        assert_eq!((pair.another_round_deg, &pair.next_settings), (None, &None));
    }

    #[test]
    fn figures_from_a_level_position_are_not_held_against_others() {
        let mut after = heron_after();
        after.matches[0].neutral_deg = Some(Measured::new(0.1, 0.02));
        let comparison = Comparison::of(&heron(), &after).unwrap();
        let pair = &comparison.pairs[0];
        assert_eq!(pair.from_level, [false, true]);
        assert_eq!(pair.promised_worst_deg, None);
    }

    #[test]
    fn a_measurement_against_itself_and_one_of_another_aircraft_are_refused() {
        let error = Comparison::of(&heron(), &heron()).unwrap_err();
        assert!(matches!(error, ComparisonError::SameMeasurement { .. }));
        let mut other = heron_after();
        other.model = "Plover 1.6 m".into();
        let error = check_names(&heron(), &other).unwrap_err();
        assert!(matches!(error, ComparisonError::OtherAircraft { .. }));
        assert!(check_names(&heron(), &heron_after()).is_ok());
    }

    #[test]
    fn what_cannot_be_compared_is_told() {
        let mut other = heron();
        other.surfaces[1].name = "flap".into();
        other.matches[0].follower = "flap".into();
        let error = Comparison::of(&heron(), &other).unwrap_err();
        assert_eq!(
            error.to_string(),
            "the two measurements share no matched pair: right tailplane to left tailplane before, \
             flap to left tailplane after"
        );
        let mut empty = heron();
        empty.matches[0].found_deg.clear();
        empty.matches[0].found_worst_deg = None;
        let error = Comparison::of(&heron(), &empty).unwrap_err();
        assert!(matches!(error, ComparisonError::NoStation { follower, .. } if follower == RIGHT));
    }
}
