//! A pair that cannot be matched costs nothing else.

use hingewise::matching::{MatchingWarning, match_groups};
use hingewise::model_file::MatchGroup;
use hingewise::response::{Response, Responses};
use hingewise::warning::Warning;
use nalgebra::DMatrix;

use super::fleet::Aircraft;
use crate::matching::world::{FOLLOWER, REFERENCE};

/// A clip with two more surfaces, copies of the pair, the second of them changed.
fn with_another_pair(clip: &Responses, change: impl Fn(&mut Response)) -> Responses {
    let mut both = clip.clone();
    for (name, surface) in ["inner", "outer"].iter().zip(&clip.surfaces) {
        let mut other = surface.clone();
        other.surface = (*name).into();
        if *name == "outer" {
            change(&mut other);
        }
        both.surfaces.push(other);
    }
    let count = both.surfaces.iter().map(|one| one.stations.len()).sum();
    let known = &clip.covariance_deg2;
    both.covariance_deg2 = DMatrix::from_fn(count, count, |row, column| {
        let own = if row == column { 4e-4 } else { 0.0 };
        known.get((row, column)).copied().unwrap_or(own)
    });
    both
}

#[test]
fn one_pair_that_cannot_be_matched_is_a_warning_and_the_other_is_matched() {
    type Change<'a> = (&'a str, &'a dyn Fn(&mut Response));
    let changes: [Change; 4] = [
        ("different stations", &|other| other.stations.truncate(2)),
        ("moved by only", &|other| {
            other
                .stations
                .iter_mut()
                .for_each(|at| at.deflection_deg.value *= 1e-3);
        }),
        ("move opposite ways", &|other| {
            other
                .stations
                .iter_mut()
                .for_each(|at| at.deflection_deg.value *= -1.0);
        }),
        ("not measured", &|other| other.stations.clear()),
    ];
    let mut aircraft = Aircraft::unlike(3, 1.0);
    let nothing = aircraft.nothing();
    let clip = aircraft.film(&nothing);
    let alone = aircraft.matched(&clip, &nothing).0.unwrap();
    for (reason, change) in changes {
        let both = with_another_pair(&clip, change);
        let other = MatchGroup {
            reference: "inner".into(),
            followers: vec!["outer".into()],
            ..aircraft.group()
        };
        let mut warnings = Vec::new();
        let groups = [other, aircraft.group()];
        let corrections =
            match_groups(&both, &groups, Some(&aircraft.radio), &mut warnings).unwrap();
        assert_eq!(corrections.len(), 1, "{reason}");
        assert_eq!(
            [&corrections[0].reference, &corrections[0].follower],
            [REFERENCE, FOLLOWER]
        );
        assert_eq!(corrections[0].settings, alone.settings);
        let told: Vec<&MatchingWarning> = warnings
            .iter()
            .filter(|warning| warning.code() == "not-matched")
            .collect();
        assert_eq!(told.len(), 1, "{reason}");
        assert!(told[0].text().contains(reason), "{}", told[0].text());
        assert!(!told[0].mend().is_empty());
    }
}
