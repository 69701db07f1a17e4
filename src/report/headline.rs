//! The headline of a measurement: the same on its report and in every list of measurements.

use crate::measurement::Measurement;

use super::verdict::{HEADLINE_IF_GRAVE, Judgement, Verdict};

/// The result of a measurement in a few words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Headline {
    /// The words.
    pub words: &'static str,
    /// The look of its box on a page.
    pub class: &'static str,
}

impl Headline {
    /// A grave warning comes before every verdict; of several pairs the one that is worst off counts.
    pub fn of(measurement: &Measurement) -> Self {
        if measurement.has_grave_warning() {
            let (words, class) = (HEADLINE_IF_GRAVE, "care");
            return Self { words, class };
        }
        let judgements = measurement.matches.iter();
        let judgements = judgements.map(|correction| Judgement::of(measurement, correction));
        match judgements.max_by_key(|judgement| gravity(judgement.verdict)) {
            Some(judgement) => Self {
                words: judgement.headline(),
                class: class(judgement.verdict),
            },
            None => Self::without_match(measurement),
        }
    }

    /// The words for one of its pairs.
    pub fn of_pair(measurement: &Measurement, judgement: &Judgement) -> &'static str {
        match measurement.has_grave_warning() {
            true => HEADLINE_IF_GRAVE,
            false => judgement.headline(),
        }
    }

    fn without_match(measurement: &Measurement) -> Self {
        let mut not_measured = measurement.not_measured.iter();
        let is_side_missing = not_measured.any(|one| one.unmatched_sentence().is_some());
        let (words, class) = match (is_side_missing, measurement.groups.is_empty()) {
            (true, _) => ("One side was not measured: nothing is matched", "care"),
            (false, true) => ("Measured; nothing to match", "plain"),
            (false, false) => ("Measured, not matched", "plain"),
        };
        Self { words, class }
    }
}

fn gravity(verdict: Verdict) -> usize {
    match verdict {
        Verdict::Alike => 0,
        Verdict::NotJudged => 1,
        Verdict::CannotTell => 2,
        Verdict::NumbersCure => 3,
        Verdict::OutOfReach => 4,
        Verdict::NumbersDoNotCure => 5,
    }
}

fn class(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Alike => "alike",
        Verdict::NumbersCure => "enter",
        Verdict::OutOfReach | Verdict::NumbersDoNotCure => "care",
        Verdict::CannotTell | Verdict::NotJudged => "plain",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::heron;
    use crate::warning::WarningText;

    #[test]
    fn a_grave_warning_comes_before_every_verdict() {
        let mut measurement = heron();
        assert_ne!(Headline::of(&measurement).words, HEADLINE_IF_GRAVE);
        measurement.warnings.push(WarningText {
            code: "a".into(),
            text: "b".into(),
            mend: "c".into(),
            grave: true,
        });
        assert_eq!(Headline::of(&measurement).words, HEADLINE_IF_GRAVE);
        measurement.matches.clear();
        assert_eq!(Headline::of(&measurement).words, HEADLINE_IF_GRAVE);
    }
}
