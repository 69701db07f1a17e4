//! How the neutrals of two sides compare, in words.

use super::figures::{declared_deg, plain_deg, signed_deg};
use crate::matching::Correction;
use crate::measured::Measured;
use crate::measurement::Measurement;

/// A cost of levelling below this is not worth a figure, degrees for each degree.
const CHEAP_DEG_PER_DEG: f64 = 0.005;

/// How the follower's neutral stands against the reference's; without a level zero what is not known,
/// and what levelling later would cost. `None` where nothing can be said.
pub fn neutral_sentence(measurement: &Measurement, correction: &Correction) -> Option<String> {
    match correction.neutral_deg {
        Some(neutral_deg) => known(measurement, correction, neutral_deg),
        None => correction.levelling_deg_per_deg.map(unknown),
    }
}

fn known(
    measurement: &Measurement,
    correction: &Correction,
    neutral_deg: Measured,
) -> Option<String> {
    let reference = reference_of(measurement, correction)?;
    let follower = &correction.follower;
    if reference == follower {
        return None;
    }
    let shown_by = measurement.level_zero.as_ref().map(|level| &level.shown_by);
    let shown_by = shown_by.map_or_else(String::new, |by| format!(" (level position: {by})"));
    let upright = measurement
        .surface(follower)
        .is_some_and(|surface| surface.upright);
    let way = match (upright, neutral_deg.value > 0.0) {
        (false, true) => "higher than",
        (false, false) => "lower than",
        (true, true) => "farther left than",
        (true, false) => "farther right than",
    };
    let size = Measured::new(neutral_deg.value.abs(), neutral_deg.sd);
    Some(if size.value > size.u() {
        format!(
            "At neutral the {follower} is {} {way} the {reference}{shown_by}.",
            plain_deg(size)
        )
    } else {
        format!(
            "At neutral the {follower} and the {reference} are level: {}{shown_by}.",
            signed_deg(neutral_deg)
        )
    })
}

/// The surface whose neutral a follower is levelled to.
fn reference_of<'a>(measurement: &'a Measurement, correction: &'a Correction) -> Option<&'a str> {
    if correction.target.is_reference() {
        return Some(&correction.reference);
    }
    let belongs = |name: &String| *name == correction.follower;
    let mut groups = measurement.groups.iter();
    let group = groups.find(|group| {
        group.target == correction.target
            && (belongs(&group.reference) || group.followers.iter().any(belongs))
    });
    group.map(|group| group.reference.as_str())
}

fn unknown(cost_deg_per_deg: f64) -> String {
    let cost = match cost_deg_per_deg < CHEAP_DEG_PER_DEG {
        true => String::new(),
        false => format!(
            " Levelling them later with sub-trim would add up to {} of mismatch for each degree.",
            declared_deg(cost_deg_per_deg)
        ),
    };
    format!(
        "Each side counts from its own neutral; how the two neutrals compare was not measured.{cost}"
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::measurement::sample::heron;

    fn sentence(neutral_deg: Option<Measured>, cost: Option<f64>) -> Option<String> {
        let mut measurement = heron();
        measurement.matches[0].neutral_deg = neutral_deg;
        measurement.matches[0].levelling_deg_per_deg = cost;
        neutral_sentence(&measurement, &measurement.matches[0])
    }

    #[test]
    fn a_neutral_that_is_off_is_said_with_its_way_and_doubt() {
        let off = |value| sentence(Some(Measured::from_expanded(value, 0.2)), None).unwrap();
        let low = "At neutral the right tailplane is 1.20° ± 0.20° lower than the left tailplane.";
        assert_eq!(off(-1.2), low);
        assert!(off(1.2).contains("higher than"));
        assert!(off(0.1).ends_with("are level: +0.10° ± 0.20°."));
    }

    #[test]
    fn without_a_level_zero_the_cost_of_levelling_later_is_said() {
        let words = sentence(None, Some(0.3)).unwrap();
        assert!(words.starts_with("Each side counts from its own neutral"));
        assert!(words.ends_with("would add up to 0.30° of mismatch for each degree."));
        assert!(!sentence(None, Some(0.001)).unwrap().contains("Levelling"));
        assert_eq!(sentence(None, None), None);
    }
}
