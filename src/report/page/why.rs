//! Why the sides differ, and what the hand should do before any number.

use crate::matching::{Cause, Correction, LinkageDifference};
use crate::report::figures::{at_most_deg, declared_deg};

/// Why the two sides of a correction differ, in sentences; none where it was not asked.
pub fn cause_sentences(correction: &Correction) -> Vec<String> {
    let (reference, follower) = (&correction.reference, &correction.follower);
    let told = |differences: &[LinkageDifference]| {
        differences
            .iter()
            .map(|difference| difference.text(follower))
            .collect::<Vec<_>>()
    };
    match &correction.cause {
        None => Vec::new(),
        Some(Cause::Alike) => vec![format!(
            "The linkages look alike: no difference between the {follower} and the {reference} is \
             large enough for this clip to tell."
        )],
        Some(Cause::Differs(differences)) => vec![format!(
            "Against the {reference}, {}. That is the simplest explanation in a plain arm, rod and \
             horn; others may fit as well, so look at both linkages side by side.",
            told(differences).join("; and ")
        )],
        Some(Cause::OneOf(differences)) => {
            let mut sentences = vec![
                "Which of these it is cannot be told from the stations alone, as each explains \
                 them about as well; look at both linkages side by side, in this order:"
                    .into(),
            ];
            sentences.extend(told(differences));
            sentences
        }
        Some(Cause::Unknown) => vec![
            "It cannot be told: no one or two differences in a plain arm, rod and horn stand out as the \
             explanation. Axes that stand askew to each other, a rod that bends, or a surface that \
             touches something do not show in this; look at both linkages side by side."
                .into(),
        ],
    }
}

/// What the hand should do first, and what would then remain; `None` where it would not halve the
/// mismatch.
pub fn hand_work_sentence(correction: &Correction) -> Option<String> {
    let work = correction.hand_work.as_ref()?;
    let found = correction
        .found_worst_deg
        .map_or_else(String::new, |found_deg| {
            format!(" of the {} found", declared_deg(found_deg.value))
        });
    Some(format!(
        "{}. At most {} (95 %){found} would then remain before any number. Film again \
         afterwards: the numbers on this page hold for the linkage as it is.",
        capitalised(&work.text(&correction.follower)),
        at_most_deg(work.at_most_deg()),
    ))
}

fn capitalised(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::matching::LinkagePart;
    use crate::measured::Measured;
    use crate::measurement::sample::heron;

    #[test]
    fn what_differs_is_told_with_its_doubt() {
        let sentences = cause_sentences(&heron().matches[0]);
        assert_eq!(
            sentences,
            [
                "Against the left tailplane, at neutral the servo arm of the right tailplane stands \
              14.0° ± 1.2° farther towards its positive end. That is the simplest explanation in a \
              plain arm, rod and horn; others may fit as well, so look at both linkages side by side."
            ]
        );
    }

    #[test]
    fn what_cannot_be_told_is_said_to_be_so() {
        let mut correction = heron().matches.remove(0);
        correction.cause = Some(Cause::Unknown);
        assert!(cause_sentences(&correction)[0].starts_with("It cannot be told"));
        let difference = |part| LinkageDifference {
            part,
            amount: Measured::new(-6.0, 0.5),
        };
        correction.cause = Some(Cause::OneOf(vec![
            difference(LinkagePart::HornLength),
            difference(LinkagePart::ServoTurn),
        ]));
        let sentences = cause_sentences(&correction);
        assert!(sentences[0].contains("cannot be told from the stations"));
        assert!(sentences[1].contains("6.0 % ± 1.0 % shorter"));
        assert!(sentences[2].contains("turns 6.0 % ± 1.0 % less far"));
        correction.cause = None;
        assert!(cause_sentences(&correction).is_empty());
    }

    #[test]
    fn the_hand_is_told_what_to_do_and_what_remains() {
        let sentence = hand_work_sentence(&heron().matches[0]).unwrap();
        assert!(sentence.starts_with(
            "Set the arm of the right tailplane back by one spline (about 15°), \
             then the rod's length for neutral. At most 0.53° (95 %) of the 1.31° found would"
        ));
    }
}
