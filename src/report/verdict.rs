//! The verdict of a match, in one plain sentence with its figure and its reason.

use crate::comparison::Standing;
use crate::matching::{Correction, StationMismatch};
use crate::measurement::Measurement;
use crate::warning::WarningText;

use super::figures;

/// A difference that a reader would notice in the printed hundredths, degrees.
const WORTH_SAYING_DEG: f64 = 0.03;
/// Full travel of the stick, percent.
const FULL_PCT: f64 = 100.0;

/// The verdict of a match; every station is judged by its [`Standing`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Every station is within the tolerance.
    Alike,
    /// Out of tolerance, and the numbers cure it.
    NumbersCure,
    /// Out of tolerance, and even the best numbers leave too much.
    NumbersDoNotCure,
    /// Out of tolerance, and at an end the follower does not reach its reference.
    OutOfReach,
    /// The mismatch is too close to the tolerance to decide.
    CannotTell,
    /// No tolerance was declared, or no station was measured on both sides.
    NotJudged,
}

/// Headline where a grave warning comes before every number.
pub const HEADLINE_IF_GRAVE: &str = "Read the warning first: the figures may be wrong";

/// The warning that matters most, for the verdict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorstWarning<'a> {
    /// The first grave warning, or the first one where none is grave.
    pub warning: &'a WarningText,
    /// How many other warnings there are.
    pub others: usize,
}

impl<'a> WorstWarning<'a> {
    /// The warning that matters most among some, if there is one.
    pub fn among(warnings: &'a [WarningText]) -> Option<Self> {
        let grave = warnings.iter().find(|warning| warning.grave);
        grave.or(warnings.first()).map(|warning| Self {
            warning,
            others: warnings.len() - 1,
        })
    }

    /// The warning on a page whose list of all warnings follows, with the number of the others.
    pub fn sentence_above_the_list(&self) -> String {
        let others = match self.others {
            0 => "",
            1 => " One more warning is listed below.",
            more => &format!(" {more} more warnings are listed below."),
        };
        warning_sentence(self.warning) + others
    }
}

/// "Warning: … What helps: …".
pub fn warning_sentence(warning: &WarningText) -> String {
    let WarningText { text, mend, .. } = warning;
    format!("Warning: {text}. What helps: {mend}.")
}

/// A match judged against its tolerance.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The verdict.
    pub verdict: Verdict,
    /// The station with the largest mismatch as found.
    pub worst_found: Option<StationMismatch>,
    /// The largest accepted mismatch, degrees.
    pub tolerance_deg: Option<f64>,
}

impl Judgement {
    /// Judges one correction of a measurement.
    pub fn of(measurement: &Measurement, correction: &Correction) -> Self {
        let worst_found = worst(&correction.found_deg).cloned();
        let tolerance_deg = measurement.tolerance_deg(correction);
        let verdict = match tolerance_deg {
            Some(tolerance_deg) if worst_found.is_some() => verdict(correction, tolerance_deg),
            _ => Verdict::NotJudged,
        };
        Self {
            verdict,
            worst_found,
            tolerance_deg,
        }
    }

    /// Whether all sides of a measurement were matched and move alike within their tolerance, with
    /// certainty. A side that was not measured leaves doubt.
    pub fn all_alike(measurement: &Measurement) -> bool {
        let mut not_measured = measurement.not_measured.iter();
        let all_measured = not_measured.all(|surface| !surface.is_missed());
        let is_alike = |correction| Self::of(measurement, correction).verdict == Verdict::Alike;
        !measurement.has_grave_warning()
            && all_measured
            && unmatched_pairs(measurement).is_empty()
            && measurement.matches.iter().all(is_alike)
    }

    /// The verdict in a few words.
    pub fn headline(&self) -> &'static str {
        match self.verdict {
            Verdict::Alike => "Both sides move alike: nothing to enter",
            Verdict::NumbersCure => "Enter the numbers below",
            Verdict::NumbersDoNotCure => "Numbers alone will not correct this",
            Verdict::OutOfReach => "One side does not reach as far as the other",
            Verdict::CannotTell => "Too close to the tolerance to decide",
            Verdict::NotJudged => "Measured, not judged",
        }
    }

    /// The largest mismatch, with its place.
    fn found(&self, correction: &Correction) -> String {
        let found = self.worst_found.as_ref().map_or_else(
            || "by an unknown amount".into(),
            |station| {
                format!(
                    "by up to {} (at {} % stick)",
                    figures::signed_deg(station.mismatch_deg),
                    figures::percent(station.stick_pct)
                )
            },
        );
        found + &between_stations(correction, self.worst_found.as_ref()) + &in_part(correction)
    }

    /// The tolerance in words.
    fn accepted(&self) -> String {
        self.tolerance_deg.map_or_else(
            || "the model file has no tolerance".into(),
            |tolerance_deg| format!("you accept ±{}", figures::declared_deg(tolerance_deg)),
        )
    }

    /// The verdict as a sentence, with the figure and the reason.
    pub fn sentence(&self, correction: &Correction) -> String {
        let (reference, follower) = (&correction.reference, &correction.follower);
        if correction.is_its_own_target() {
            return format!(
                "The {follower} is the smaller side over the whole travel and stays as it is."
            );
        }
        let (found, accepted) = (self.found(correction), self.accepted());
        let remains = remains(correction);
        let only = if correction.target.is_reference() {
            " only"
        } else {
            ""
        };
        match self.verdict {
            Verdict::Alike => {
                format!("The {follower} differs from the {reference} {found}; {accepted}.")
            }
            Verdict::NumbersCure => format!(
                "The {follower} differs from the {reference} {found}, and {accepted}. With the \
                 numbers below, entered for the {follower}{only}, at most {remains} (95 %) will remain."
            ),
            Verdict::NumbersDoNotCure => format!(
                "The {follower} differs from the {reference} {found}, and {accepted}. Even with \
                 the best numbers up to {remains} will remain, so adjust the linkage \
                 first."
            ),
            Verdict::OutOfReach => format!(
                "The {follower} differs from the {reference} {found}, and {accepted}. {}",
                out_of_reach(correction)
            ),
            Verdict::CannotTell => format!(
                "The {follower} differs from the {reference} {found}; {accepted}. The uncertainty of \
                 the measurement includes that limit. Film again with larger tags or \
                 longer holds{}.",
                if has_numbers(correction) {
                    format!(", or enter the numbers below: at most {remains} (95 %) will remain")
                } else {
                    String::new()
                }
            ),
            Verdict::NotJudged => format!(
                "The {follower} differs from the {reference} {found}; {accepted}. With the \
                 numbers below at most {remains} (95 %) will remain."
            ),
        }
    }
}

/// Whether a correction changes anything.
fn has_numbers(correction: &Correction) -> bool {
    let found = correction.stages.first();
    found.is_none_or(|found| found.settings != correction.settings)
}

/// The part of the travel that was measured, where that is not all of it.
pub fn measured_in_part(correction: &Correction) -> Option<String> {
    let [first, last] = correction.measured_pct?;
    let [first_words, last_words] = [first, last].map(figures::percent);
    (first > -FULL_PCT || last < FULL_PCT)
        .then(|| format!("{first_words} % to {last_words} % stick"))
}

fn in_part(correction: &Correction) -> String {
    measured_in_part(correction).map_or_else(String::new, |span| {
        format!(", measured from {span} only; no statement beyond")
    })
}

/// Pairs that were to be matched and were not, each in a sentence.
pub fn unmatched_pairs(measurement: &Measurement) -> Vec<String> {
    let pairs = measurement.groups.iter().flat_map(|group| {
        let (name, reference) = if group.target.is_reference() {
            (group.reference.as_str(), None)
        } else {
            (group.target.name(), Some(&group.reference))
        };
        let surfaces = reference.into_iter().chain(&group.followers);
        surfaces.map(move |surface| (name, surface))
    });
    pairs
        .filter(|(reference, follower)| {
            !measurement.matches.iter().any(|correction| {
                correction.reference == *reference && correction.follower == **follower
            })
        })
        .map(|(reference, follower)| {
            format!(
                "The {follower} is not matched to the {reference}; the warnings give the reason."
            )
        })
        .collect()
}

fn verdict(correction: &Correction, tolerance_deg: f64) -> Verdict {
    let predicted = &correction.predicted_deg;
    match Standing::of_correction(correction, tolerance_deg) {
        Standing::Within => Verdict::Alike,
        Standing::CannotTell => Verdict::CannotTell,
        Standing::Out if predicted.at_least_deg() > tolerance_deg => {
            if correction.out_of_reach.is_empty() {
                Verdict::NumbersDoNotCure
            } else {
                Verdict::OutOfReach
            }
        }
        Standing::Out if has_numbers(correction) => Verdict::NumbersCure,
        Standing::Out => Verdict::NumbersDoNotCure,
    }
}

fn out_of_reach(correction: &Correction) -> String {
    let (reference, follower) = (&correction.reference, &correction.follower);
    let ends: Vec<String> = correction
        .out_of_reach
        .iter()
        .map(|end| format!("{} %", figures::percent(end.stick_pct)))
        .collect();
    if !correction.target.is_reference() {
        return format!(
            "With the servo travel in this clip the {follower} does not reach the {reference} at \
             {}; even with the best numbers up to {} will remain.",
            ends.join(" and "),
            remains(correction)
        );
    }
    // All ends have the same remainder: that of the common travel.
    let common = correction
        .out_of_reach
        .first()
        .map_or(0.0, |end| end.common_worst_deg);
    format!(
        "With the servo travel in this clip the {follower} does not reach the {reference} at {}. \
         With the {reference}'s travel reduced there, at most {} (95 %) will remain; numbers for the \
         {follower} alone leave up to {}.",
        ends.join(" and "),
        figures::at_most_deg(common),
        remains(correction)
    )
}

/// A word on a mismatch between stations that is larger than at any of them.
fn between_stations(correction: &Correction, worst_found: Option<&StationMismatch>) -> String {
    let at_station_deg = worst_found.map_or(0.0, |station| station.mismatch_deg.value.abs());
    correction
        .found_worst_deg
        .filter(|worst_deg| worst_deg.value > at_station_deg + WORTH_SAYING_DEG)
        .map_or_else(String::new, |worst_deg| {
            let worst_deg = figures::plain_deg(worst_deg);
            format!(", and by up to {worst_deg} between the stations")
        })
}

/// The station with the largest mismatch, the first of equals.
pub fn worst(stations: &[StationMismatch]) -> Option<&StationMismatch> {
    stations.iter().reduce(|worst, station| {
        if station.mismatch_deg.value.abs() > worst.mismatch_deg.value.abs() {
            station
        } else {
            worst
        }
    })
}

/// "0.14°": at most so much is left, in 95 of 100 cases.
pub fn remains(correction: &Correction) -> String {
    figures::at_most_deg(correction.predicted_deg.at_most_deg())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::measured::Measured;
    use crate::measurement::sample::{heron, short_at_the_top};

    fn judged(found_deg: f64, u_deg: f64, remaining_deg: f64) -> Verdict {
        let mut measurement = heron();
        let correction = &mut measurement.matches[0];
        correction.found_deg = vec![StationMismatch {
            stick_pct: 50.0,
            mismatch_deg: Measured::new(found_deg, u_deg / 2.0),
        }];
        correction.found_worst_deg = None;
        correction.predicted_deg.worst = remaining_deg;
        correction.predicted_deg.least = Some(0.8 * remaining_deg);
        Judgement::of(&measurement, &measurement.matches[0]).verdict
    }

    #[test]
    fn only_whole_intervals_decide() {
        // The sample accepts ±0.3°.
        assert_eq!(judged(0.20, 0.05, 0.1), Verdict::Alike);
        assert_eq!(judged(-0.28, 0.05, 0.1), Verdict::CannotTell);
        assert_eq!(judged(0.32, 0.05, 0.1), Verdict::CannotTell);
        assert_eq!(judged(-0.90, 0.05, 0.1), Verdict::NumbersCure);
        assert_eq!(judged(0.90, 0.05, 0.5), Verdict::NumbersDoNotCure);
    }

    fn warning(text: &str, grave: bool) -> WarningText {
        WarningText {
            code: "c".into(),
            text: text.into(),
            mend: "help".into(),
            grave,
        }
    }

    #[test]
    fn the_first_grave_warning_comes_first_and_the_others_are_counted() {
        assert_eq!(WorstWarning::among(&[]), None);
        let sentence = |warnings: &[WarningText]| {
            WorstWarning::among(warnings)
                .unwrap()
                .sentence_above_the_list()
        };
        let (mild, grave) = (warning("mild", false), warning("grave", true));
        assert_eq!(
            sentence(std::slice::from_ref(&mild)),
            "Warning: mild. What helps: help."
        );
        let all = [mild.clone(), grave.clone(), mild];
        assert_eq!(
            sentence(&all),
            "Warning: grave. What helps: help. 2 more warnings are listed below."
        );
    }

    #[test]
    fn sides_that_agree_are_not_called_alike_beside_a_grave_warning() {
        let mut measurement = heron();
        measurement.matches.clear();
        measurement.groups.clear();
        assert!(Judgement::all_alike(&measurement));
        measurement.warnings.push(warning("grave", true));
        assert!(!Judgement::all_alike(&measurement));
    }

    #[test]
    fn an_end_out_of_reach_is_reported_as_such() {
        let mut measurement = heron();
        let correction = &mut measurement.matches[0];
        correction.predicted_deg.worst = 1.3;
        correction.predicted_deg.least = Some(1.2);
        correction.out_of_reach = vec![short_at_the_top(correction)];
        let correction = &measurement.matches[0];
        let judgement = Judgement::of(&measurement, correction);
        assert_eq!(judgement.verdict, Verdict::OutOfReach);
        let sentence = judgement.sentence(correction);
        assert!(sentence.contains("does not reach the left tailplane at +100 %"));
        assert!(sentence.contains("at most 0.16° (95 %) will remain"));
    }

    #[test]
    fn the_sentence_bears_the_figure_the_limit_and_what_remains() {
        let measurement = heron();
        let correction = &measurement.matches[0];
        let judgement = Judgement::of(&measurement, correction);
        assert_eq!(
            judgement.sentence(correction),
            "The right tailplane differs from the left tailplane by up to −1.30° ± 0.04° (at +100 % \
             stick), and you accept ±0.30°. With the numbers below, entered for the right \
             tailplane only, at most 0.14° (95 %) will remain."
        );
    }

    #[test]
    fn a_pair_without_a_correction_is_not_alike() {
        let mut measurement = heron();
        measurement.matches[0].found_worst_deg = Some(Measured::new(0.1, 0.01));
        measurement.matches[0].found_deg.clear();
        let station = StationMismatch {
            stick_pct: 50.0,
            mismatch_deg: Measured::new(0.1, 0.01),
        };
        measurement.matches[0].found_deg.push(station);
        assert!(Judgement::all_alike(&measurement));
        measurement.matches.clear();
        assert!(!Judgement::all_alike(&measurement));
        assert_eq!(unmatched_pairs(&measurement).len(), 1);
    }

    #[test]
    fn the_part_that_was_measured_is_in_the_sentence() {
        let mut measurement = heron();
        measurement.matches[0].measured_pct = Some([-100.0, 75.0]);
        let judgement = Judgement::of(&measurement, &measurement.matches[0]);
        let sentence = judgement.sentence(&measurement.matches[0]);
        assert!(sentence.contains("measured from −100 % to +75 % stick only"));
    }
}
