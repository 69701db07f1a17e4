//! Why the sides differ, and which work on the linkage comes before any number.

use crate::matching::{Cause, Correction, LinkageDifference};
use crate::report::figures::{at_most_deg, declared_deg, sentence};

/// Why the two sides of a correction differ, in sentences; none where it was not asked.
pub fn cause_sentences(correction: &Correction) -> Vec<String> {
    let (reference, follower) = (&correction.reference, &correction.follower);
    let sentences_of = |differences: &[LinkageDifference]| {
        differences
            .iter()
            .map(|difference| difference.text(follower))
            .collect::<Vec<_>>()
    };
    match &correction.cause {
        None => Vec::new(),
        Some(Cause::Alike) => vec![format!(
            "The linkages look alike: no difference between the {follower} and the {reference} is \
             large enough to show in this clip."
        )],
        Some(Cause::Differs(differences)) => vec![format!(
            "Against the {reference}, {}. This is the simplest explanation with a plain arm, rod and \
             horn; others may fit as well, so compare both linkages.",
            sentences_of(differences).join("; and ")
        )],
        Some(Cause::OneOf(differences)) => {
            let mut sentences = vec![
                "The measurement does not decide between the following causes, because each explains \
                 it about equally well. Compare both linkages in this order:"
                    .into(),
            ];
            sentences.extend(sentences_of(differences));
            sentences
        }
        Some(Cause::Unknown) => vec![
            "The measurement does not show the cause: no single difference, and no pair of \
             differences, in a plain arm, rod and horn explains it clearly. Axes that are not parallel, a rod that bends, or a surface that \
             touches something are not covered. Compare both linkages."
                .into(),
        ],
    }
}

/// The work on the linkage to do first, and what would remain; `None` where it would not halve the
/// mismatch.
pub fn hand_work_sentence(correction: &Correction) -> Option<String> {
    let work = correction.hand_work.as_ref()?;
    let found = correction
        .found_worst_deg
        .map_or_else(String::new, |found_deg| {
            format!(" of the {} found", declared_deg(found_deg.value))
        });
    Some(format!(
        "{} At most {} (95 %){found} would then remain without any numbers. Film again \
         afterwards: the numbers on this page are for the linkage as filmed.",
        sentence(&work.text(&correction.follower)),
        at_most_deg(work.at_most_deg()),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::matching::LinkagePart;
    use crate::measured::Measured;
    use crate::measurement::sample::heron;

    #[test]
    fn a_difference_is_reported_with_its_uncertainty() {
        let sentences = cause_sentences(&heron().matches[0]);
        assert_eq!(
            sentences,
            [
                "Against the left tailplane, at neutral the servo arm of the right tailplane is \
              14.0° ± 1.2° farther towards its positive end. This is the simplest explanation with a \
              plain arm, rod and horn; others may fit as well, so compare both linkages."
            ]
        );
    }

    #[test]
    fn an_unknown_cause_is_reported_as_unknown() {
        let mut correction = heron().matches.remove(0);
        correction.cause = Some(Cause::Unknown);
        assert!(
            cause_sentences(&correction)[0].starts_with("The measurement does not show the cause")
        );
        let difference = |part| LinkageDifference {
            part,
            amount: Measured::new(-6.0, 0.5),
        };
        correction.cause = Some(Cause::OneOf(vec![
            difference(LinkagePart::HornLength),
            difference(LinkagePart::ServoTurn),
        ]));
        let sentences = cause_sentences(&correction);
        assert!(sentences[0].contains("does not decide between"));
        assert!(sentences[1].contains("6.0 % ± 1.0 % shorter"));
        assert!(sentences[2].contains("turns 6.0 % ± 1.0 % less far"));
        correction.cause = None;
        assert!(cause_sentences(&correction).is_empty());
    }

    #[test]
    fn work_on_the_linkage_is_named_with_the_remainder() {
        let sentence = hand_work_sentence(&heron().matches[0]).unwrap();
        assert!(sentence.starts_with(
            "Turn the arm of the right tailplane back by one spline (about 15°), \
             then adjust the rod's length for neutral. At most 0.53° (95 %) of the 1.31° found would"
        ));
    }
}
