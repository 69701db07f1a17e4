//! The radio once the numbers that an earlier measurement proposed were entered.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::Measurement;
use crate::matching::Correction;
use crate::model_file::{Proposal, Radio, Settings};

/// Two numbers of a radio closer than this are the same, percent.
const SAME_PCT: f64 = 1e-6;

/// Which of the proposed sets was entered, where an end of the follower does not reach its reference.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum EnteredSet {
    /// The set for the common travel, with the reference's end point reduced: the report's first.
    #[default]
    CommonTravel,
    /// The follower's numbers with the reference as it was.
    Follower,
    /// The reference's numbers with the follower as it was.
    Exchanged,
}

/// An earlier proposal that cannot be taken as entered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, miette::Diagnostic)]
pub enum EnteredError {
    /// It is of another aircraft.
    #[error(
        "{} is a measurement of \"{found}\", not of \"{model}\"", path.display()
    )]
    #[diagnostic(help(
        "give the measurement of this aircraft after which the numbers were entered"
    ))]
    OtherModel {
        /// The earlier measurement.
        path: PathBuf,
        /// Name of the aircraft.
        model: String,
        /// Name in the earlier measurement.
        found: String,
    },
    /// It has no match.
    #[error("{} proposes no numbers: it matches no sides", path.display())]
    #[diagnostic(help(
        "give the measurement after which the numbers were entered, or declare them under \
         [radio.active] in the model file"
    ))]
    NothingProposed {
        /// The earlier measurement.
        path: PathBuf,
    },
    /// The numbers are for a radio that counts otherwise.
    #[error("{} proposes numbers for a radio with another {what}", path.display())]
    #[diagnostic(help(
        "declare the same [radio] as then; if the radio was changed, declare what is entered now \
         under [radio.active] instead of using --entered"
    ))]
    OtherRadio {
        /// The earlier measurement.
        path: PathBuf,
        /// The key that differs.
        what: &'static str,
    },
    /// The model file declares something else.
    #[error(
        "the model file declares numbers for the {surface} that are neither those entered before nor \
         those proposed in {}", path.display()
    )]
    #[diagnostic(help(
        "delete the surface's table under [radio.active] if the proposed numbers were entered; leave \
         out --entered if the declared ones were"
    ))]
    OtherNumbers {
        /// The earlier measurement.
        path: PathBuf,
        /// The surface.
        surface: String,
    },
    /// The set was not proposed.
    #[error("{} proposes no set of the kind that --entered-set names", path.display())]
    #[diagnostic(help("leave --entered-set out"))]
    NoSuchSet {
        /// The earlier measurement.
        path: PathBuf,
    },
}

impl Measurement {
    /// A radio with the numbers entered that this measurement, read from `path`, proposed for the
    /// aircraft `model`.
    ///
    /// `radio` is what is declared now; without a declaration the radio is the one of this measurement.
    pub fn radio_as_proposed(
        &self,
        (model, radio): (&str, Option<&Radio>),
        set: Option<EnteredSet>,
        path: PathBuf,
    ) -> Result<Radio, EnteredError> {
        if self.model != model {
            return Err(EnteredError::OtherModel {
                path,
                model: model.into(),
                found: self.model.clone(),
            });
        }
        if self.matches.is_empty() {
            return Err(EnteredError::NothingProposed { path });
        }
        let then = self.radio.clone().unwrap_or_default();
        let mut entered = radio.cloned().unwrap_or_else(|| then.clone());
        if let (Some(what), true) = (difference(&entered, &then), self.radio.is_some()) {
            return Err(EnteredError::OtherRadio { path, what });
        }
        let declared = std::mem::take(&mut entered.active);
        entered.active = then.active.clone();
        let mut has_set = false;
        for correction in &self.matches {
            has_set |= offers(correction, set);
            let set = set.filter(|_| offers(correction, set)).unwrap_or_default();
            for (surface, settings) in proposed(self, correction, set) {
                entered.active.insert(surface, settings);
            }
        }
        if set.is_some() && !has_set {
            return Err(EnteredError::NoSuchSet { path });
        }
        if let Some(surface) = add_declared(&mut entered, &then, declared) {
            return Err(EnteredError::OtherNumbers { path, surface });
        }
        entered.proposed_in = Some(Proposal {
            date: self.date.clone(),
            clip: self.clip.path.clone(),
        });
        Ok(entered)
    }

    /// The radio of a model file for matching this measurement again: numbers that were taken from an
    /// earlier proposal stay entered where the file declares none.
    pub fn with_proposal_kept(&self, radio: Option<Radio>) -> Option<Radio> {
        let kept = self.radio.as_ref();
        let Some(kept) = kept.filter(|kept| kept.proposed_in.is_some()) else {
            return radio;
        };
        let mut radio = radio.unwrap_or_else(|| kept.clone());
        if difference(&radio, kept).is_none() {
            for (surface, settings) in &kept.active {
                let entry = radio.active.entry(surface.clone());
                entry.or_insert_with(|| settings.clone());
            }
            radio.proposed_in = kept.proposed_in.clone();
        }
        Some(radio)
    }

    /// Whether this measurement proposes other numbers for a surface than were entered.
    pub fn proposes_change(&self, surface: &str) -> bool {
        let entered = self.declared_settings(surface);
        let mut proposals = self.matches.iter().flat_map(|correction| {
            let sets = [EnteredSet::CommonTravel, EnteredSet::Follower];
            sets.into_iter()
                .flat_map(|set| proposed(self, correction, set))
        });
        proposals.any(|(name, settings)| name == surface && !is_same(&settings, &entered))
    }

    /// Whether this measurement says nothing of numbers that were entered after an earlier one: it declares
    /// none for the surface, or those of then.
    pub fn declares_nothing_since(&self, earlier: &Self, surface: &str) -> bool {
        let radio = self.radio.as_ref();
        let declares = radio.is_some_and(|radio| radio.active.contains_key(surface));
        !declares || self.declares_same(earlier, surface)
    }

    /// The numbers of the reference with its end points reduced to the common travel of a correction.
    pub fn reduced_settings(&self, correction: &Correction) -> Settings {
        let mut reference = self.declared_settings(&correction.reference);
        for end in correction.common_travel() {
            let side = usize::from(end.reference_end_pct() > 0.0);
            reference.end_points_pct[side] = end.reference_end_point_pct;
        }
        reference
    }

    /// Whether a surface's declared numbers are the same in both measurements.
    pub fn declares_same(&self, other: &Self, surface: &str) -> bool {
        is_same(
            &self.declared_settings(surface),
            &other.declared_settings(surface),
        )
    }
}

/// Adds declared numbers of surfaces without a proposal. Returns a surface whose declared numbers are
/// neither the proposed ones nor those from before.
fn add_declared(
    entered: &mut Radio,
    then: &Radio,
    declared: BTreeMap<String, Settings>,
) -> Option<String> {
    for (surface, now) in declared {
        let Some(proposed) = entered.active.get(&surface) else {
            entered.active.insert(surface, now);
            continue;
        };
        let before = then.active.get(&surface);
        let mut known = [Some(proposed), before].into_iter().flatten();
        if !known.any(|known| is_same(known, &now)) {
            return Some(surface);
        }
    }
    None
}

/// Whether a correction offers a set beside the usual one.
fn offers(correction: &Correction, set: Option<EnteredSet>) -> bool {
    match set {
        None => true,
        Some(EnteredSet::CommonTravel | EnteredSet::Follower) => {
            !correction.out_of_reach.is_empty()
        }
        Some(EnteredSet::Exchanged) => correction.exchanged.is_some(),
    }
}

/// The surfaces whose numbers a correction sets, with all of their numbers.
fn proposed(
    measurement: &Measurement,
    correction: &Correction,
    set: EnteredSet,
) -> Vec<(String, Settings)> {
    let follower = |settings: &Settings| (correction.follower.clone(), settings.clone());
    let is_short = !correction.out_of_reach.is_empty() && correction.target.is_reference();
    match (set, correction.out_of_reach.last(), &correction.exchanged) {
        (EnteredSet::Exchanged, _, Some(exchanged)) => {
            vec![(correction.reference.clone(), exchanged.settings.clone())]
        }
        (EnteredSet::CommonTravel, Some(end), _) if is_short => {
            let reduced = measurement.reduced_settings(correction);
            vec![
                (correction.reference.clone(), reduced),
                follower(&end.common_settings),
            ]
        }
        _ => vec![follower(&correction.settings)],
    }
}

/// The first key in which two radios give numbers another meaning.
fn difference(a: &Radio, b: &Radio) -> Option<&'static str> {
    let differences = [
        (a.curve_points_pct != b.curve_points_pct, "curve_points_pct"),
        (a.curve_shows != b.curve_shows, "curve_shows"),
        (a.end_points != b.end_points, "end_points"),
        (a.us_per_pct != b.us_per_pct, "unit"),
        (a.reversed != b.reversed, "input"),
    ];
    let mut found = differences.into_iter().filter(|(differs, _)| *differs);
    found.next().map(|(_, key)| key)
}

/// Whether two sets of numbers are the same.
fn is_same(a: &Settings, b: &Settings) -> bool {
    let all = |settings: &Settings| {
        let ends = settings.end_points_pct;
        let mut numbers = vec![settings.sub_trim_pct, ends[0], ends[1]];
        numbers.extend(&settings.curve_pct);
        numbers
    };
    let (a, b) = (all(a), all(b));
    a.len() == b.len() && a.iter().zip(&b).all(|(a, b)| (a - b).abs() < SAME_PCT)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{LEFT, RIGHT, heron, short_at_the_top};

    fn entered(before: &Measurement, radio: Option<&Radio>) -> Result<Radio, EnteredError> {
        before.radio_as_proposed(("Heron 2.1 m", radio), None, "before".into())
    }

    #[test]
    fn the_proposal_becomes_the_active_settings_and_says_where_it_is_from() {
        let before = heron();
        let radio = entered(&before, before.radio.as_ref()).unwrap();
        assert_eq!(radio.active[RIGHT], before.matches[0].settings);
        let from = radio.proposed_in.unwrap();
        assert_eq!(from.to_string(), "2026-11-25, clips/heron_tail.mp4");
        // Without a declared radio it is the one of then.
        assert_eq!(entered(&before, None).unwrap().active, radio.active);
    }

    #[test]
    fn the_common_travel_reduces_the_reference_as_well() {
        let mut before = heron();
        let end = short_at_the_top(&before.matches[0]);
        before.matches[0].out_of_reach = vec![end];
        let radio = entered(&before, None).unwrap();
        assert_eq!(radio.active[LEFT].end_points_pct, [100.0, 95.0]);
        let set = Some(EnteredSet::Follower);
        let only = before.radio_as_proposed(("Heron 2.1 m", None), set, "before".into());
        assert!(!only.unwrap().active.contains_key(LEFT));
        let set = Some(EnteredSet::Exchanged);
        let none = before.radio_as_proposed(("Heron 2.1 m", None), set, "before".into());
        assert!(matches!(none, Err(EnteredError::NoSuchSet { .. })));
    }

    #[test]
    fn what_cannot_have_been_entered_is_refused() {
        let before = heron();
        let other = before.radio_as_proposed(("Plover", None), None, "before".into());
        assert!(matches!(other, Err(EnteredError::OtherModel { .. })));
        let mut radio = before.radio.clone().unwrap();
        radio.curve_points_pct = Some(vec![-100.0, 0.0, 100.0]);
        let error = entered(&before, Some(&radio)).unwrap_err();
        assert!(error.to_string().contains("another curve_points_pct"));
        let mut radio = before.radio.clone().unwrap();
        let mut numbers = before.matches[0].settings.clone();
        numbers.end_points_pct[0] += 7.0;
        radio.active = [(RIGHT.to_string(), numbers)].into();
        let error = entered(&before, Some(&radio)).unwrap_err();
        assert!(matches!(error, EnteredError::OtherNumbers { surface, .. } if surface == RIGHT));
        let mut nothing = before;
        nothing.matches.clear();
        let error = entered(&nothing, None).unwrap_err();
        assert!(matches!(error, EnteredError::NothingProposed { .. }));
    }
}
