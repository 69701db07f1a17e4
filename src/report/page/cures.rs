//! What numbers cure step by step, and what they do not.

use crate::matching::{Correction, OutOfReach, Stage};
use crate::measurement::Measurement;
use crate::report::figures::{declared_deg, percent, percent_unsigned, plain_deg};

use super::numbers::{NumberRow, settings_rows};

/// A gap below this is lost in the printed hundredths, degrees.
const NO_GAP_DEG: f64 = 0.005;

/// What would be left if one stopped after a stage of the work.
#[derive(Debug, Clone, PartialEq)]
pub struct StageRow {
    /// The stage.
    pub stage: &'static str,
    /// Largest mismatch that is left.
    pub worst: String,
    /// Root mean square that is left.
    pub rms: String,
    /// The numbers that differ from those active, with their names.
    pub changes: String,
}

/// The stages in the order of the work.
pub fn stage_rows(measurement: &Measurement, correction: &Correction) -> Vec<StageRow> {
    correction
        .stages
        .iter()
        .map(|gain| StageRow {
            stage: match gain.stage {
                Stage::AsFound => "as found",
                Stage::EndPoints => "end points only",
                Stage::Curve => "end points and curve",
            },
            worst: declared_deg(gain.worst_deg),
            rms: declared_deg(gain.rms_deg),
            changes: changes(&settings_rows(
                measurement,
                &correction.follower,
                &gain.settings,
            )),
        })
        .collect()
}

fn changes(rows: &[NumberRow]) -> String {
    let changed: Vec<String> = rows
        .iter()
        .filter(|row| row.changed)
        .map(|row| format!("{}: {}", row.what, row.now))
        .collect();
    if changed.is_empty() {
        "nothing".into()
    } else {
        changed.join(", ")
    }
}

/// An end that cannot be reached, and what to do.
#[derive(Debug, Clone, PartialEq)]
pub struct ReachView {
    /// What is missing, and the common travel.
    pub sentence: String,
    /// The follower's numbers for the common travel.
    pub numbers: Vec<NumberRow>,
    /// Whether any row tells the output of the curve.
    pub has_outputs: bool,
}

/// The ends that the follower cannot reach; the numbers stand with the last, as they hold for all.
pub fn reach_views(measurement: &Measurement, correction: &Correction) -> Vec<ReachView> {
    let ends = &correction.out_of_reach;
    ends.iter()
        .enumerate()
        .map(|(index, end)| {
            let is_last = index + 1 == ends.len();
            let numbers = if is_last {
                settings_rows(measurement, &correction.follower, &end.common_settings)
            } else {
                Vec::new()
            };
            ReachView {
                sentence: reach_sentence(correction, end),
                has_outputs: numbers.iter().any(|row| !row.output.is_empty()),
                numbers,
            }
        })
        .collect()
}

/// An end that cannot be reached, in words.
fn reach_sentence(correction: &Correction, end: &OutOfReach) -> String {
    let (reference, follower) = (&correction.reference, &correction.follower);
    format!(
        "At {} % the {follower} stays {} short of the {reference}: {} of {}, whatever is entered. \
         Move its linkage, or film again with more travel of its servo where nothing binds; or \
         reduce the end point of the {reference} at this end to {} and enter the {follower}'s \
         numbers for the common travel, which leaves at most {}.",
        percent(end.stick_pct),
        plain_deg(end.short_deg),
        declared_deg(end.follower_deg.abs()),
        declared_deg(end.reference_deg.abs()),
        percent_unsigned(end.reference_end_point_pct),
        declared_deg(end.common_worst_deg),
    )
}

/// What stays under every promise, and how good the numbers are among all that could be entered.
pub fn floor_sentences(correction: &Correction) -> Vec<String> {
    let play = correction.play_floor_deg.map(|floor_deg| {
        format!(
            "Play lets the two sides rest up to {} apart whatever is entered; only the linkage \
             cures that.",
            plain_deg(floor_deg)
        )
    });
    let gap_deg = correction.optimality_gap_deg;
    let best = if gap_deg < NO_GAP_DEG {
        "Among all numbers that the radio accepts none leave less.".into()
    } else {
        format!(
            "Other numbers that the radio accepts could be better by {} at most.",
            declared_deg(gap_deg)
        )
    };
    play.into_iter().chain([best]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{heron, short_at_the_top};

    #[test]
    fn each_stage_tells_what_it_changes() {
        let measurement = heron();
        let rows = stage_rows(&measurement, &measurement.matches[0]);
        assert_eq!(rows[0].changes, "nothing");
        assert_eq!(
            rows[1].changes,
            "end point at −100: 96, end point at +100: 105"
        );
        assert_eq!(rows[2].worst, "0.14°");
    }

    #[test]
    fn an_end_out_of_reach_is_told_with_both_cures() {
        let mut measurement = heron();
        let correction = &mut measurement.matches[0];
        correction.out_of_reach = vec![short_at_the_top(correction)];
        let views = reach_views(&measurement, &measurement.matches[0]);
        assert!(views[0].sentence.starts_with(
            "At +100 % the right tailplane stays 1.30° ± 0.04° short of the left tailplane: 23.80° \
             of 25.10°, whatever is entered."
        ));
        assert_eq!(views[0].numbers.len(), 12);
    }
}
