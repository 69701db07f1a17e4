//! What numbers correct step by step, and what they cannot correct.

use crate::matching::{Correction, OutOfReach, Stage, StageGain};
use crate::measurement::Measurement;
use crate::report::figures::{at_most_deg, declared_deg, percent, plain_deg};

use super::numbers::{Counting, NumberRow, curve_kind, rows_between, settings_rows};

/// A gap below this is lost in the printed hundredths, degrees.
const NO_GAP_DEG: f64 = 0.005;

/// What remains after a step of the work.
#[derive(Debug, Clone, PartialEq)]
pub struct StageRow {
    /// The stage.
    pub stage: &'static str,
    /// Largest mismatch that is left at most.
    pub worst: String,
    /// Root mean square that is left at most.
    pub rms: String,
    /// Effect of this step.
    pub changes: String,
}

/// The stages in the order of the work, for the numbers that come first: end points, curve; each goes
/// on from the one before.
pub fn stage_rows(measurement: &Measurement, correction: &Correction) -> Vec<StageRow> {
    let Some(end) = correction.common_travel().last() else {
        return rows_of(measurement, &correction.stages);
    };
    let mut common = rows_of(measurement, &end.common_stages);
    if let Some(reduced) = common.first_mut() {
        reduced.stage = "reduced end point";
        let reference = reference_rows(measurement, correction);
        reduced.changes = format!("{}: {}", correction.reference, words_of(&reference));
    }
    let as_found = correction.stages.first().filter(|_| !common.is_empty());
    let as_found = as_found.map(|found| rows_of(measurement, std::slice::from_ref(found)));
    as_found.into_iter().flatten().chain(common).collect()
}

fn rows_of(measurement: &Measurement, gains: &[StageGain]) -> Vec<StageRow> {
    let mut rows = Vec::new();
    let mut before: Option<&StageGain> = None;
    for gain in gains {
        rows.push(StageRow {
            stage: match gain.stage {
                Stage::AsFound => "as found",
                Stage::SubTrim => "sub-trim",
                Stage::EndPoints => "end points",
                Stage::Curve => "curve",
            },
            worst: at_most_deg(gain.at_most_deg()),
            rms: at_most_deg(gain.rms_deg),
            changes: changes(measurement, before, gain),
        });
        before = Some(gain);
    }
    rows
}

fn changes(measurement: &Measurement, before: Option<&StageGain>, now: &StageGain) -> String {
    let Some(before) = before else {
        return "nothing".into();
    };
    let radio = measurement.radio.as_ref();
    let rows = rows_between(radio, &before.settings, &now.settings);
    if rows.iter().any(|row| row.changed) {
        words_of(&rows)
    } else {
        "nothing to change".into()
    }
}

/// The numbers that change, in words.
fn words_of(rows: &[NumberRow]) -> String {
    let changed = rows.iter().filter(|row| row.changed);
    let words: Vec<String> = changed
        .map(|row| format!("{}: {}", row.what, row.now))
        .collect();
    words.join(", ")
}

/// The numbers of the reference that change for the common travel.
fn reference_rows(measurement: &Measurement, correction: &Correction) -> Vec<NumberRow> {
    let reduced = measurement.reduced_settings(correction);
    let rows = settings_rows(measurement, &correction.reference, &reduced);
    rows.into_iter().filter(|row| row.changed).collect()
}

/// A second table of numbers, and its purpose.
#[derive(Debug, Clone, PartialEq)]
pub struct Alternative {
    /// Instructions, and the remaining mismatch.
    pub sentence: String,
    /// The numbers.
    pub numbers: Vec<NumberRow>,
    /// Unit of the numbers.
    pub unit: &'static str,
    /// Meaning of a curve point's number.
    pub curve_kind: Option<&'static str>,
}

/// The sides exchanged, where that needs no new film.
pub fn exchanged(measurement: &Measurement, correction: &Correction) -> Option<Alternative> {
    let other = correction.exchanged.as_ref()?;
    let (reference, follower) = (&correction.reference, &correction.follower);
    Some(Alternative {
        sentence: format!(
            "Or exchange the sides: leave the {follower} as it is and enter these numbers for the \
             {reference}. At most {} (95 %) will then remain; no new film is needed.",
            at_most_deg(other.worst_deg)
        ),
        numbers: settings_rows(measurement, reference, &other.settings),
        unit: Counting::of(measurement.radio.as_ref()).unit(),
        curve_kind: curve_kind(measurement.radio.as_ref()),
    })
}

/// An end that cannot be reached, and what to do.
#[derive(Debug, Clone, PartialEq)]
pub struct ReachView {
    /// The shortfall, and the common travel.
    pub sentence: String,
    /// The reference's numbers that change for the common travel.
    pub reference_numbers: Vec<NumberRow>,
    /// The follower's numbers for the common travel.
    pub numbers: Vec<NumberRow>,
    /// Unit of the numbers.
    pub unit: &'static str,
    /// Meaning of a curve point's number.
    pub curve_kind: Option<&'static str>,
}

/// The ends that the follower cannot reach; the last one has the numbers, since they are the same
/// for all.
pub fn reach_views(measurement: &Measurement, correction: &Correction) -> Vec<ReachView> {
    let ends = &correction.out_of_reach;
    let counting = Counting::of(measurement.radio.as_ref());
    ends.iter()
        .enumerate()
        .map(|(index, end)| {
            let is_last = index + 1 == ends.len() && correction.target.is_reference();
            let (reference_numbers, numbers) = if is_last {
                let numbers =
                    settings_rows(measurement, &correction.follower, &end.common_settings);
                (reference_rows(measurement, correction), numbers)
            } else {
                Default::default()
            };
            ReachView {
                sentence: reach_sentence(correction, end, counting),
                unit: counting.unit(),
                curve_kind: curve_kind(measurement.radio.as_ref()),
                reference_numbers,
                numbers,
            }
        })
        .collect()
}

/// An end that cannot be reached, in words.
fn reach_sentence(correction: &Correction, end: &OutOfReach, counting: Counting) -> String {
    let (reference, follower) = (&correction.reference, &correction.follower);
    if !correction.target.is_reference() {
        return format!(
            "At {} % the {follower} stays {} short of the {reference}: {} of {} in the middle of the play, with any numbers. \
             Declare smaller throws, move its linkage, or film again with more travel of \
             its servo where nothing binds.",
            percent(end.stick_pct),
            plain_deg(end.short_deg),
            declared_deg(end.follower_deg.abs()),
            declared_deg(end.reference_deg.abs()),
        );
    }
    let farther = end.follower_end_point_pct.map_or_else(String::new, |end_point_pct| {
        format!(
            " An end point of about {} {} would move the {follower} as far. If nothing binds, enter \
             that instead and film again.",
            counting.shown_unsigned(end_point_pct),
            counting.sign(),
        )
    });
    format!(
        "At {} % the {follower} stays {} short of the {reference}: {} of {} in the middle of the play, with any numbers. \
         Reduce the end point of the {reference} at {} % to {} {} and enter the {follower}'s numbers \
         for the common travel: at most {} (95 %) will then remain.{farther}",
        percent(end.stick_pct),
        plain_deg(end.short_deg),
        declared_deg(end.follower_deg.abs()),
        declared_deg(end.reference_deg.abs()),
        percent(end.reference_end_pct()),
        counting.shown_unsigned(end.reference_end_point_pct),
        counting.sign(),
        at_most_deg(end.common_worst_deg),
    )
}

/// What no number corrects, and how good the numbers are among all possible ones.
pub fn floor_sentences(measurement: &Measurement, correction: &Correction) -> Vec<String> {
    let play = correction.play_floor_deg.map(|floor_deg| {
        format!(
            "Play lets the two sides rest up to {} apart with any numbers; only work on the linkage \
             reduces it.",
            plain_deg(floor_deg)
        )
    });
    let changes = correction.stages.len() > 1;
    let neutral = changes.then(|| moved_neutral(measurement)).flatten();
    let how_good = changes.then(|| how_good(correction));
    play.into_iter().chain(neutral).chain(how_good).collect()
}

/// By how much neutral may move with a curve that has no point there.
pub fn moved_neutral(measurement: &Measurement) -> Option<String> {
    let radio = measurement.radio.as_ref()?;
    let points = radio.curve_points_pct.as_ref()?;
    let counting = Counting::of(Some(radio));
    (!points.contains(&0.0)).then(|| {
        format!(
            "This radio's curve has no point at 0, so neutral may move by up to half a step ({} {}).",
            counting.shown_unsigned(0.5 * radio.step_pct),
            counting.sign()
        )
    })
}

/// How good the numbers are among all that could be entered, no more than was worked out.
fn how_good(correction: &Correction) -> String {
    let others = if correction.settings.curve_pct.is_empty() {
        "other end points in the radio's steps"
    } else {
        "other curve points in the radio's steps for these end points"
    };
    let where_reached = if correction.out_of_reach.is_empty() {
        ""
    } else {
        " where the follower can reach the reference"
    };
    match correction.optimality_gap_deg {
        None => format!("The program did not check whether {others} leave less."),
        Some(gap_deg) if gap_deg < NO_GAP_DEG => {
            format!("The program checked all {others}: none leave clearly less{where_reached}.")
        }
        Some(gap_deg) => format!(
            "The program could not check all {others}; the others could leave less{where_reached}, \
             by {} at most.",
            declared_deg(gap_deg)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{heron, short_at_the_top};

    #[test]
    fn each_stage_tells_what_it_changes_in_the_order_of_the_work() {
        let measurement = heron();
        let rows = stage_rows(&measurement, &measurement.matches[0]);
        let stages: Vec<&str> = rows.iter().map(|row| row.stage).collect();
        assert_eq!(stages, ["as found", "end points", "curve"]);
        assert_eq!(rows[0].changes, "nothing");
        assert_eq!(
            rows[1].changes,
            "end point at −100: 98, end point at +100: 101"
        );
        assert!(rows[2].changes.starts_with("curve point at −75: +1"));
        assert_eq!(rows[2].worst, "0.14°");
    }

    #[test]
    fn a_curve_without_a_point_at_neutral_is_said_to_move_it() {
        let mut measurement = heron();
        let moves = |measurement: &Measurement| {
            let sentences = floor_sentences(measurement, &measurement.matches[0]);
            sentences
                .iter()
                .any(|words| words.contains("up to half a step (0.5 %)"))
        };
        assert!(!moves(&measurement));
        if let Some(points) = measurement
            .radio
            .as_mut()
            .and_then(|radio| radio.curve_points_pct.as_mut())
        {
            points.retain(|point| *point != 0.0);
        }
        assert!(moves(&measurement));
    }

    #[test]
    fn no_more_is_said_of_other_numbers_than_was_computed() {
        let mut correction = heron().matches.remove(0);
        assert!(how_good(&correction).starts_with("The program checked all other curve points"));
        correction.optimality_gap_deg = Some(0.08);
        assert!(how_good(&correction).ends_with("could leave less, by 0.08° at most."));
        correction.optimality_gap_deg = None;
        assert!(how_good(&correction).contains("did not check whether other curve points"));
        correction.settings.curve_pct.clear();
        assert!(how_good(&correction).contains("whether other end points"));
    }

    #[test]
    fn an_end_out_of_reach_has_both_remedies() {
        let mut measurement = heron();
        let correction = &mut measurement.matches[0];
        correction.out_of_reach = vec![short_at_the_top(correction)];
        let views = reach_views(&measurement, &measurement.matches[0]);
        assert!(views[0].sentence.starts_with(
            "At +100 % the right tailplane stays 1.30° ± 0.04° short of the left tailplane: 23.80° \
             of 25.10° in the middle of the play, with any numbers. Reduce the end point of the left tailplane at +100 % to \
             95 %"
        ));
        assert!(views[0].sentence.contains("An end point of about 106 %"));
        assert_eq!(views[0].numbers.len(), 12);
    }
}
