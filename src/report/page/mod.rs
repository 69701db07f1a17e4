//! The report page: one self-contained HTML file, for screen and paper.

mod cures;
mod health;
mod numbers;
mod stations;
mod why;

use askama::Template;

use crate::cautions;
use crate::matching::Correction;
use crate::measurement::{FitRecord, Measurement, NotMeasured};
use crate::model_file::{Compare, EndPoints, Joins, MatchMotion};
use crate::warning::WarningText;

use super::charts::{self, Shown, Turn};
use super::figures;
use super::format::in_both_formats;
use super::headline::Headline;
use super::neutral::neutral_sentence;
use super::palette::SurfaceLook;
use super::verdict::{Judgement, Verdict, WorstWarning, measured_in_part, unmatched_pairs};

use super::withheld::withheld;

pub use cures::{
    Alternative, ReachView, StageRow, exchanged, floor_sentences, moved_neutral, reach_views,
    stage_rows,
};
pub use health::{HealthRow, early_stop_cautions, health_rows, shown_warnings};
pub use numbers::{Counting, NumberRow, OTHER_NAMES, curve_kind, number_rows, sense_sentence};
pub use stations::{MismatchRow, StationTable, approach_word, mismatch_rows, station_table};
pub use why::{cause_sentences, hand_work_sentence};

/// All that the page shows, as text and drawings.
#[derive(Template)]
#[template(path = "report.html", config = "src/report/askama.toml")]
struct Page<'a> {
    measurement: &'a Measurement,
    headline: &'static str,
    verdict_class: &'static str,
    worst_warning: Option<String>,
    opening_cautions: Vec<String>,
    before_moving: &'a [&'a str],
    other_names: &'static str,
    after_entering: &'a [&'a str],
    matches: Vec<MatchView<'a>>,
    withheld: Option<&'static str>,
    unmatched_pairs: Vec<String>,
    unmatched: Option<ResponseView>,
    unmatched_sides: Vec<String>,
    timeline: Option<String>,
    hinges: Option<String>,
    still: Option<&'a str>,
    tables: Vec<StationTable>,
    health: Vec<HealthRow>,
    warnings: Vec<WarningText>,
    has_upright: bool,
}

/// One match on the page.
struct MatchView<'a> {
    correction: &'a Correction,
    sentence: String,
    neutral: Option<String>,
    numbers: Vec<NumberRow>,
    unit: &'static str,
    curve_kind: Option<&'static str>,
    sense: Option<String>,
    exchanged: Option<Alternative>,
    measured_in_part: Option<String>,
    changed_count: usize,
    radio: Option<String>,
    tolerance: Option<String>,
    remaining: String,
    remaining_instead: Option<String>,
    stages: Vec<StageRow>,
    hand_work: Option<String>,
    causes: Vec<String>,
    reaches: Vec<ReachView>,
    floors: Vec<String>,
    remaining_rms: Option<String>,
    mismatch_chart: String,
    mismatches: Vec<MismatchRow>,
    response: ResponseView,
}

/// The two charts of a response.
struct ResponseView {
    response_chart: String,
    departure_chart: String,
    turned_round: bool,
}

/// The page as HTML. `still` is a drawing in both formats.
pub fn page(measurement: &Measurement, still: Option<&str>) -> Result<String, askama::Error> {
    let health = health_rows(measurement);
    let warnings = shown_warnings(measurement, &health);
    let worst = WorstWarning::among(&warnings);
    let worst_warning = worst.map(|worst| figures::glued(&worst.sentence_above_the_list()));
    let unmatched_sides: Vec<String> = measurement
        .not_measured
        .iter()
        .filter_map(NotMeasured::unmatched_sentence)
        .collect();
    let headline = Headline::of(measurement);
    Page {
        measurement,
        headline: headline.words,
        verdict_class: headline.class,
        worst_warning,
        unmatched_sides,
        opening_cautions: early_stop_cautions(measurement)
            .iter()
            .map(|caution| figures::glued(caution))
            .collect(),
        before_moving: &cautions::BEFORE_MOVING,
        other_names: OTHER_NAMES,
        after_entering: &cautions::AFTER_ENTERING,
        matches: measurement
            .matches
            .iter()
            .map(|correction| match_view(measurement, correction))
            .collect(),
        withheld: withheld(measurement),
        unmatched_pairs: unmatched_pairs(measurement),
        unmatched: unmatched(measurement),
        timeline: (measurement.trace.time_s.len() > 1)
            .then(|| in_both_formats(|format| charts::timeline(measurement, format))),
        hinges: (!measurement.surfaces.is_empty())
            .then(|| in_both_formats(|format| charts::hinges(&measurement.surfaces, format))),
        still,
        tables: measurement.surfaces.iter().map(station_table).collect(),
        health,
        warnings,
        has_upright: measurement.surfaces.iter().any(|surface| surface.upright),
    }
    .render()
}

fn match_view<'a>(measurement: &'a Measurement, correction: &'a Correction) -> MatchView<'a> {
    let judgement = Judgement::of(measurement, correction);
    let numbers = number_rows(measurement, correction);
    let leaves = correction.leaves();
    MatchView {
        correction,
        sentence: figures::glued(&judgement.sentence(correction)),
        neutral: neutral_sentence(measurement, correction).map(|words| figures::glued(&words)),
        curve_kind: curve_kind(measurement.radio.as_ref()),
        sense: sense_sentence(measurement, correction),
        exchanged: exchanged(measurement, correction),
        measured_in_part: measured_in_part(correction),
        changed_count: match judgement.verdict {
            Verdict::Alike => 0,
            _ => numbers.iter().filter(|row| row.changed).count(),
        },
        numbers,
        unit: Counting::of(measurement.radio.as_ref()).unit(),
        radio: radio_words(measurement),
        tolerance: judgement.tolerance_deg.map(figures::declared_deg),
        stages: stage_rows(measurement, correction),
        hand_work: hand_work_sentence(correction).map(|sentence| figures::glued(&sentence)),
        causes: cause_sentences(correction)
            .iter()
            .map(|sentence| figures::glued(sentence))
            .collect(),
        reaches: reach_views(measurement, correction),
        floors: floor_sentences(measurement, correction),
        remaining: figures::at_most_deg(leaves.at_most_deg),
        remaining_instead: (!correction.common_travel().is_empty())
            .then(|| super::verdict::remains(correction)),
        remaining_rms: leaves.rms_deg.map(figures::at_most_deg),
        mismatch_chart: in_both_formats(|format| {
            charts::mismatch(correction, judgement.tolerance_deg, format)
        }),
        mismatches: mismatch_rows(correction, judgement.tolerance_deg),
        response: pair_view(measurement, correction),
    }
}

fn radio_words(measurement: &Measurement) -> Option<String> {
    let radio = measurement.radio.as_ref()?;
    let joins = match radio.joins {
        Joins::Straight => "straight lines",
        Joins::Smooth => "a smooth curve",
    };
    let curve = radio.curve_points_pct.as_ref().map_or_else(
        || "no output curve".into(),
        |points| format!("a curve of {} points joined by {joins}", points.len()),
    );
    let order = match radio.end_points {
        EndPoints::After => "end points after the curve",
        EndPoints::Before => "end points before the curve",
    };
    let counting = Counting::of(Some(radio));
    let sign = counting.sign();
    Some(format!(
        "{curve}, {order}, steps of {} {sign}, outputs up to {} {sign}",
        counting.shown_unsigned(radio.step_pct),
        counting.shown_unsigned(radio.limit_pct)
    ))
}

fn pair_view(measurement: &Measurement, correction: &Correction) -> ResponseView {
    let shown = pair(measurement, correction);
    let turned_round = shown.iter().any(|shown| shown.turn != Turn::AsItIs);
    response_view(&shown, turned_round)
}

/// Reference and follower of a match, the follower turned round where the two move opposite ways.
pub fn pair<'a>(measurement: &'a Measurement, correction: &Correction) -> Vec<Shown<'a>> {
    let turn = measurement
        .group(&correction.reference, &correction.follower)
        .map_or(Turn::AsItIs, |group| match (group.motion, group.compare) {
            (MatchMotion::Same, _) => Turn::AsItIs,
            (MatchMotion::Opposite, Compare::UpWithDown) => Turn::Deflection,
            (MatchMotion::Opposite, Compare::UpWithUp) => Turn::Stick,
        });
    [
        (&correction.reference, Turn::AsItIs),
        (&correction.follower, turn),
    ]
    .into_iter()
    .filter_map(|(name, turn)| shown(measurement, name).map(|shown| Shown { turn, ..shown }))
    .collect()
}

/// The surfaces that no match shows.
fn unmatched(measurement: &Measurement) -> Option<ResponseView> {
    let is_matched = |name: &String| {
        measurement
            .matches
            .iter()
            .any(|correction| [&correction.reference, &correction.follower].contains(&name))
    };
    let shown: Vec<Shown<'_>> = measurement
        .surfaces
        .iter()
        .filter(|surface| !is_matched(&surface.name))
        .filter_map(|surface| shown(measurement, &surface.name))
        .collect();
    (!shown.is_empty()).then(|| response_view(&shown, false))
}

fn shown<'a>(measurement: &'a Measurement, name: &str) -> Option<Shown<'a>> {
    measurement
        .surfaces
        .iter()
        .enumerate()
        .find(|(_, surface)| surface.name == name)
        .map(|(position, surface)| Shown {
            surface,
            look: SurfaceLook::of(position),
            turn: Turn::AsItIs,
        })
}

fn response_view(shown: &[Shown<'_>], turned_round: bool) -> ResponseView {
    ResponseView {
        response_chart: in_both_formats(|format| charts::response(shown, format)),
        departure_chart: in_both_formats(|format| charts::straight_line_departure(shown, format)),
        turned_round,
    }
}
