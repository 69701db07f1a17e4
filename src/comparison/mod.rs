//! Comparison: two measurements of one model, before and after numbers were entered.

use serde::Serialize;

use crate::matching::{Correction, StationMismatch};
use crate::measured::Measured;
use crate::measurement::Measurement;
use crate::model_file::Settings;
use crate::stick;

/// A size compared with a tolerance.
///
/// It counts as within or out only if its whole interval ±u does, so that a wrong word is unlikely
/// (guarded decision, JCGM 106:2012, 8.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Within the tolerance.
    Within,
    /// The limit is inside the interval.
    CannotTell,
    /// Out of tolerance.
    Out,
}

impl Standing {
    /// Judges a mismatch; its sign does not matter.
    pub fn of(mismatch_deg: Measured, tolerance_deg: f64) -> Self {
        let (size_deg, u_deg) = (mismatch_deg.value.abs(), mismatch_deg.u());
        if size_deg + u_deg <= tolerance_deg {
            Self::Within
        } else if size_deg - u_deg > tolerance_deg {
            Self::Out
        } else {
            Self::CannotTell
        }
    }

    /// The worst standing of the mismatches at the stations, and between them if known.
    pub fn of_correction(correction: &Correction, tolerance_deg: f64) -> Self {
        correction
            .found_deg
            .iter()
            .map(|station| station.mismatch_deg)
            .chain(correction.found_worst_deg)
            .map(|mismatch_deg| Self::of(mismatch_deg, tolerance_deg))
            .max()
            .unwrap_or(Self::Within)
    }

    /// The standing in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::CannotTell => "undecided",
            Self::Out => "out",
        }
    }
}

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
    /// Whether the mismatch counts from a level position, before and after; where only one does, the
    /// figures do not compare.
    pub from_level: [bool; 2],
    /// The largest mismatch after another round of numbers, if that would clearly help.
    pub another_round_deg: Option<f64>,
    /// These numbers: all of the follower's servo, in percent.
    pub next_settings: Option<Settings>,
    /// Numbers were proposed after the first clip and the mismatch went down beyond doubt, but the
    /// second measurement declares none or those of before: whether they were entered is not known.
    pub proposal_undeclared: bool,
    /// The second measurement declares new numbers, and shows the motion of the first, not the one that
    /// was predicted: the numbers were probably not entered.
    pub not_entered: bool,
    /// The largest accepted mismatch of the first measurement, where that was another.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tolerance_before_deg: Option<f64>,
    /// All in all.
    pub standing: Standing,
}

/// Two measurements of one model side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Names of the model before and after; they differ where it was renamed.
    pub models: [String; 2],
    /// Days of both measurements, where known.
    pub dates: [Option<String>; 2],
    /// One entry a follower that was measured in both clips.
    pub pairs: Vec<ComparedPair>,
    /// Surfaces that only one of the clips measured.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<MissingSurface>,
    /// The gravest of all pairs.
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

/// Two measurements that cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error, miette::Diagnostic)]
pub enum ComparisonError {
    /// Both are the same.
    #[error("both are the same measurement, of {clip}")]
    #[diagnostic(help(
        "give the measurement from before the numbers were entered and the one from after"
    ))]
    SameMeasurement {
        /// The clip that was measured.
        clip: String,
    },
    /// They are of two aircraft.
    #[error("the first measurement is of \"{before}\", the second of \"{after}\"")]
    #[diagnostic(help(
        "compare two measurements of one aircraft; --renamed compares them if it has another name now"
    ))]
    OtherAircraft {
        /// Name in the first measurement.
        before: String,
        /// Name in the second measurement.
        after: String,
    },
    /// No pair of surfaces is matched in both.
    #[error(
        "the two measurements share no matched pair: {} before, {} after",
        listed(before),
        listed(after)
    )]
    #[diagnostic(help(
        "compare two measurements made with the same [[match]] in the model file; `hingewise match \
         --model` matches a kept measurement anew"
    ))]
    NoSharedPair {
        /// Pairs of the first measurement.
        before: Vec<String>,
        /// Pairs of the second measurement.
        after: Vec<String>,
    },
    /// No station was measured on both sides.
    #[error("the {follower} and the {reference} were never measured at the same stick position")]
    #[diagnostic(help("read the warnings of that measurement, and film again"))]
    NoStation {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
    },
    /// There is no tolerance.
    #[error("the model file has no tolerance for the {follower} against the {reference}")]
    #[diagnostic(help(
        "set tolerance_deg in the [[match]] of the model file, and match the second measurement \
         again with `hingewise match --model`"
    ))]
    NoTolerance {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
    },
}

fn listed(pairs: &[String]) -> String {
    if pairs.is_empty() {
        "none".into()
    } else {
        pairs.join(", ")
    }
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
                let earlier = before.matches.iter().find(|earlier| {
                    earlier.reference == later.reference
                        && earlier.follower == later.follower
                        && before.same_function(after, &later.follower)
                })?;
                let undeclared = [&later.reference, &later.follower].into_iter().any(|side| {
                    before.proposes_change(side) && after.declares_nothing_since(before, side)
                });
                let changed = [&later.reference, &later.follower]
                    .map(|side| !after.declares_same(before, side));
                let declared = Declared {
                    tolerances_deg: [before.tolerance_deg(earlier), after.tolerance_deg(later)],
                    undeclared,
                    changed,
                };
                Some(compared(earlier, later, declared))
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

/// What the model file declared in both measurements of a pair.
struct Declared {
    /// Largest accepted mismatch, before and after.
    tolerances_deg: [Option<f64>; 2],
    /// Numbers were proposed, and none are declared since.
    undeclared: bool,
    /// Other numbers are declared than before, for the reference and for the follower.
    changed: [bool; 2],
}

fn compared(
    earlier: &Correction,
    later: &Correction,
    declared: Declared,
) -> Result<ComparedPair, ComparisonError> {
    let (reference, follower) = (later.reference.clone(), later.follower.clone());
    let [tolerance_before_deg, tolerance_deg] = declared.tolerances_deg;
    let Some(tolerance_deg) = tolerance_deg else {
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
    let mut stations: Vec<ComparedStation> = later
        .found_deg
        .iter()
        .map(|station| ComparedStation {
            stick_pct: station.stick_pct,
            before_deg: at_station(&earlier.found_deg, station.stick_pct),
            after_deg: station.mismatch_deg,
            standing: Standing::of(station.mismatch_deg, tolerance_deg),
        })
        .collect();
    stations.sort_by(|a, b| a.stick_pct.total_cmp(&b.stick_pct));
    let standing = Standing::of_correction(later, tolerance_deg);
    let promised = |correction: &Correction| correction.predicted_deg.at_most_deg();
    // The reference's numbers show which set was entered.
    let promised_before = match (declared.changed, &earlier.exchanged) {
        ([true, false], Some(exchanged)) => exchanged.worst_deg,
        ([true, _], _) => earlier.leaves().at_most_deg,
        _ => promised(earlier),
    };
    let proposes = later
        .stages
        .first()
        .is_none_or(|found| found.settings != later.settings);
    let worst_before_deg = worst(earlier);
    let from_level = [earlier, later].map(|correction| correction.neutral_deg.is_some());
    let is_comparable = from_level[0] == from_level[1];
    let has_gone = is_comparable && has_gone(worst_before_deg, worst_after_deg);
    let proposal_undeclared = declared.undeclared && has_gone;
    let not_entered =
        declared.changed.contains(&true) && is_comparable && is_unmoved(earlier, &stations);
    let another_round_deg = Some(promised(later))
        .filter(|_| standing != Standing::Within && proposes)
        .filter(|_| !proposal_undeclared && !not_entered)
        .filter(|left_deg| *left_deg < worst_after_deg.value - worst_after_deg.u());
    Ok(ComparedPair {
        reference,
        follower,
        tolerance_deg,
        stations,
        worst_before_deg,
        worst_after_deg,
        promised_worst_deg: Some(promised_before).filter(|_| is_comparable),
        from_level,
        another_round_deg,
        next_settings: another_round_deg.map(|_| later.settings.clone()),
        proposal_undeclared,
        not_entered,
        tolerance_before_deg: tolerance_before_deg.filter(|before| *before != tolerance_deg),
        standing,
    })
}

/// Whether every station shows the mismatch of the first clip within the uncertainty of both, and at
/// least one beyond doubt not the one that was predicted.
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

/// Whether a mismatch went down beyond doubt.
fn has_gone(before_deg: Option<Measured>, after_deg: Measured) -> bool {
    before_deg.is_some_and(|before| before.value - before.u() > after_deg.value + after_deg.u())
}

/// Size of the largest mismatch, between stations as well if the measurement has it.
fn worst(correction: &Correction) -> Option<Measured> {
    correction
        .found_deg
        .iter()
        .map(|station| station.mismatch_deg)
        .chain(correction.found_worst_deg)
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
