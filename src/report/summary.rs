//! The result for a terminal: figures first, the numbers to enter last.

use std::fmt::Write;
use std::path::Path;

use crate::cautions;
use crate::matching::Correction;
use crate::measurement::{Measurement, SurfaceRecord};

use super::figures::{percent, signed_with_u};
use super::neutral::neutral_sentence;
use super::page::{
    Counting, NumberRow, OTHER_NAMES, approach_word, cause_sentences, curve_kind,
    early_stop_cautions, exchanged, hand_work_sentence, health_rows, mismatch_rows, moved_neutral,
    number_rows, reach_views, sense_sentence, shown_warnings, stage_rows,
};
use super::verdict::{HEADLINE_IF_GRAVE, Judgement, Verdict, unmatched_pairs, warning_sentence};
use super::withheld::withheld;

/// Width to which sentences are broken, in letters.
const WIDTH: usize = 78;

/// Most surfaces whose stations fit side by side.
const MOST_COLUMNS: usize = 3;

/// The result in plain text, the numbers to enter last, so that they stay visible in a terminal.
/// `report` is the path of the page.
pub fn summary(measurement: &Measurement, report: Option<&Path>) -> String {
    let mut text = String::new();
    line(&mut text, &measurement.model);
    for function in &measurement.functions {
        let surfaces = function.surfaces.join(", ");
        paragraph(&mut text, &format!("{}: {surfaces}", function.name), "  ");
    }
    add_stations(&mut text, measurement);
    add_not_measured(&mut text, measurement);
    for correction in &measurement.matches {
        add_background(&mut text, measurement, correction);
        if withheld(measurement).is_none() {
            add_other_ways(&mut text, measurement, correction);
        }
    }
    add_warnings(&mut text, measurement);
    if !measurement.matches.is_empty() {
        line(&mut text, "\nBefore you move anything");
        for caution in cautions::BEFORE_MOVING {
            paragraph(&mut text, &format!("- {caution}"), "  ");
        }
    }
    for caution in early_stop_cautions(measurement) {
        text.push('\n');
        paragraph(&mut text, &format!("CAUTION: {caution}"), "");
    }
    if measurement.has_grave_warning() {
        line(&mut text, &format!("\n{HEADLINE_IF_GRAVE}"));
    }
    for warning in measurement.warnings.iter().filter(|warning| warning.grave) {
        paragraph(&mut text, &warning_sentence(warning), "");
    }
    match withheld(measurement) {
        Some(words) => paragraph(&mut text, words, ""),
        None => {
            for correction in &measurement.matches {
                add_verdict(&mut text, measurement, correction);
            }
        }
    }
    for words in unmatched_pairs(measurement) {
        paragraph(&mut text, &words, "");
    }
    if let Some(report) = report {
        line(&mut text, &format!("\nReport: {}", report.display()));
    }
    text
}

/// Warnings, but for the grave ones, which come with the verdict.
fn add_warnings(text: &mut String, measurement: &Measurement) {
    let mut warnings = shown_warnings(measurement, &health_rows(measurement));
    warnings.retain(|warning| !warning.grave);
    if warnings.is_empty() {
        return;
    }
    line(text, "\nWarnings");
    for warning in &warnings {
        paragraph(text, &format!("! {}", warning.text), "  ");
        let mend = format!("  what helps: {}", warning.mend);
        paragraph(text, &mend, "    ");
    }
}

/// The verdict of a match and the numbers to enter.
fn add_verdict(text: &mut String, measurement: &Measurement, correction: &Correction) {
    let judgement = Judgement::of(measurement, correction);
    line(text, &format!("\n{}", judgement.headline()));
    let neutral = neutral_sentence(measurement, correction).map(|words| format!(" {words}"));
    let sentence = judgement.sentence(correction) + &neutral.unwrap_or_default();
    paragraph(text, &sentence, "");
    if let Some(work) = hand_work_sentence(correction) {
        paragraph(text, &format!("Adjust the linkage first: {work}"), "");
    }
    add_numbers(text, measurement, correction, judgement.verdict);
}

/// Background of the verdict: mismatch by station, causes, and the remainder after each step.
fn add_background(text: &mut String, measurement: &Measurement, correction: &Correction) {
    let (reference, follower) = (&correction.reference, &correction.follower);
    let head = format!("\nMismatch of the {follower} against the {reference}, degrees");
    line(text, &head);
    line(
        text,
        &format!("  {:>8}  {:>16}  {:>16}", "stick, %", "found", "predicted"),
    );
    for row in mismatch_rows(correction, measurement.tolerance_deg(correction)) {
        let (stick, found, predicted) = (&row.stick, &row.found, &row.predicted);
        let sign = match (row.beyond, row.predicted_beyond) {
            (true, true) => "  both beyond tolerance",
            (true, false) => "  found beyond tolerance",
            (false, true) => "  predicted beyond tolerance",
            (false, false) => "",
        };
        line(
            text,
            &format!("  {stick:>8}  {found:>16}  {predicted:>16}{sign}"),
        );
    }
    let mut causes = cause_sentences(correction).into_iter();
    if let Some(cause) = causes.next() {
        line(text, "\nWhy the sides differ");
        paragraph(text, &format!("  {cause}"), "  ");
    }
    for cause in causes {
        paragraph(text, &format!("  - {cause}"), "    ");
    }
    if withheld(measurement).is_none() {
        add_stages(text, measurement, correction);
    }
}

/// The numbers to enter: those for the common travel where the follower falls short.
fn add_numbers(
    text: &mut String,
    measurement: &Measurement,
    correction: &Correction,
    verdict: Verdict,
) {
    let radio = measurement.radio.as_ref();
    let (follower, unit) = (&correction.follower, Counting::of(radio).unit());
    if let Some(sense) = sense_sentence(measurement, correction) {
        paragraph(text, &sense, "");
    }
    paragraph(text, OTHER_NAMES, "");
    for reach in reach_views(measurement, correction) {
        paragraph(text, &reach.sentence, "");
        if !reach.numbers.is_empty() {
            for (surface, rows) in [
                (&correction.reference, &reach.reference_numbers),
                (follower, &reach.numbers),
            ] {
                let head = format!("\nFor the common travel: {surface}, in {unit}");
                add_rows(text, &head, rows);
            }
        }
    }
    let numbers = number_rows(measurement, correction);
    let is_first = correction.common_travel().is_empty();
    if is_first && verdict != Verdict::Alike && numbers.iter().any(|row| row.changed) {
        let only = match correction.target.is_reference() {
            true => " only",
            false => "",
        };
        if let Some(kind) = curve_kind(radio) {
            paragraph(text, &format!("On this radio {kind}."), "");
        }
        if let Some(words) = moved_neutral(measurement) {
            paragraph(text, &words, "");
        }
        let head = format!("\nEnter for the {follower}{only}, in {unit}");
        add_rows(text, &head, &numbers);
    }
}

/// The sets of numbers that do not come first, with the numbers that change.
fn add_other_ways(text: &mut String, measurement: &Measurement, correction: &Correction) {
    let unit = Counting::of(measurement.radio.as_ref()).unit();
    let (reference, follower) = (&correction.reference, &correction.follower);
    let mut numbers = number_rows(measurement, correction);
    numbers.retain(|row| row.changed);
    if !correction.common_travel().is_empty() && !numbers.is_empty() {
        let head = format!("\nAnother way, with the {reference} as it is: {follower}, in {unit}");
        add_rows(text, &head, &numbers);
    }
    if let Some(mut other) = exchanged(measurement, correction) {
        other.numbers.retain(|row| row.changed);
        text.push('\n');
        paragraph(text, &other.sentence, "");
        let head = format!("\nThe sides exchanged: {reference}, in {unit}");
        add_rows(text, &head, &other.numbers);
    }
}

pub(super) fn add_rows(text: &mut String, head: &str, numbers: &[NumberRow]) {
    line(text, head);
    line(text, &format!("    {:<42}{:>7}{:>8}", "", "was", "enter"));
    for row in numbers {
        let sign = if row.changed { "▸" } else { " " };
        let (what, before, now) = (&row.what, &row.before, &row.now);
        line(text, &format!("  {sign} {what:<42}{before:>7}{now:>8}"));
    }
}

/// Remainder after each step of the work.
fn add_stages(text: &mut String, measurement: &Measurement, correction: &Correction) {
    let rows = stage_rows(measurement, correction);
    if rows.len() < 2 {
        return;
    }
    line(text, "\nWhat each step leaves (95 %)");
    let head = format!("  {:<18}{:>16}  {:>16}", "after", "at most", "typically");
    line(text, &head);
    for row in rows {
        let (stage, worst, rms) = (row.stage, &row.worst, &row.rms);
        line(text, &format!("  {stage:<18}{worst:>16}  {rms:>16}"));
    }
}

/// Surfaces that the clip does not measure, with the reasons.
fn add_not_measured(text: &mut String, measurement: &Measurement) {
    if measurement.not_measured.is_empty() {
        return;
    }
    line(text, "\nNot measured in this clip");
    for missing in &measurement.not_measured {
        let words = format!("  {}: {}", missing.surface, missing.words());
        paragraph(text, &words, "    ");
    }
}

/// Holds one below the other; surfaces of a function side by side, as many as fit.
fn add_stations(text: &mut String, measurement: &Measurement) {
    let function = |surface: &SurfaceRecord| measurement.function_of(&surface.name);
    let surfaces = measurement.surfaces.as_slice();
    let of_functions = surfaces.chunk_by(|a, b| function(a) == function(b));
    for surfaces in of_functions.flat_map(|surfaces| surfaces.chunks(MOST_COLUMNS)) {
        line(text, "\nDeflection, degrees");
        let mut head = format!("  {:>8}  {:<8}", "stick, %", "came");
        for surface in surfaces {
            let _ = write!(head, "  {:>18}", shortened(&surface.name, 18));
        }
        line(text, &head);
        let mut holds: Vec<_> = surfaces
            .iter()
            .flat_map(|surface| &surface.stations)
            .map(|station| (station.hold, station.stick_pct, station.approach))
            .collect();
        holds.sort_by_key(|hold| hold.0);
        holds.dedup_by_key(|hold| hold.0);
        for (hold, stick_pct, approach) in holds {
            let (stick, came) = (percent(stick_pct), approach_word(approach));
            let mut row = format!("  {stick:>8}  {came:<8}");
            for surface in surfaces {
                let station = surface.stations.iter().find(|station| station.hold == hold);
                let deflection = station.map_or_else(
                    || "–".into(),
                    |station| signed_with_u(station.deflection_deg),
                );
                let _ = write!(row, "  {deflection:>18}");
            }
            line(text, &row);
        }
    }
}

fn shortened(name: &str, letters: usize) -> String {
    if name.chars().count() <= letters {
        return name.into();
    }
    name.chars().take(letters - 1).chain(['…']).collect()
}

fn line(text: &mut String, words: &str) {
    text.push_str(words.trim_end());
    text.push('\n');
}

/// A sentence broken at spaces; every line but the first begins with `indent`.
pub(super) fn paragraph(text: &mut String, sentence: &str, indent: &str) {
    let lead = sentence.len() - sentence.trim_start().len();
    let mut current = " ".repeat(lead);
    let mut is_empty = true;
    for word in sentence.split_whitespace() {
        let length = current.chars().count() + 1 + word.chars().count();
        if !is_empty && length > WIDTH {
            line(text, &current);
            current = indent.into();
            is_empty = true;
        }
        if !is_empty {
            current.push(' ');
        }
        current.push_str(word);
        is_empty = false;
    }
    line(text, &current);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::heron;

    /// A usual window of a terminal, less a line for the prompt.
    const LINES_OF_A_TERMINAL: usize = 39;

    #[test]
    fn lines_stay_within_the_width_of_a_terminal() {
        let text = summary(&heron(), Some(Path::new("out/report.html")));
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }

    #[test]
    fn the_numbers_to_enter_are_in_the_last_forty_lines() {
        for report in [None, Some(Path::new("out/report.html"))] {
            let text = summary(&heron(), report);
            let lines: Vec<&str> = text.lines().collect();
            let last = lines[lines.len().saturating_sub(LINES_OF_A_TERMINAL)..].join("\n");
            assert!(last.contains("\nEnter the numbers below\n"), "{last}");
            assert!(
                last.contains("\nEnter for the right tailplane only"),
                "{last}"
            );
            let end = report.map_or("curve point at +100", |_| "Report: out/report.html");
            assert!(lines[lines.len() - 1].contains(end), "{last}");
        }
    }

    #[test]
    fn the_summary_reads_as_it_was_agreed() {
        insta::assert_snapshot!(summary(&heron(), Some(Path::new("out/report.html"))));
    }
}
