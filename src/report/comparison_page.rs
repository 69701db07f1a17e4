//! Before and after side by side, as a page and for the terminal.

use std::fmt::Write;

use askama::Template;

use crate::cautions;
use crate::comparison::{Clip, ComparedPair, Comparison, Standing};
use crate::matching::Correction;
use crate::measurement::Measurement;
use crate::names::without_unseen;

use super::charts::{self, Series};
use super::format::in_both_formats;
use super::page::{Counting, NumberRow, curve_kind, number_rows};
use super::summary::{add_rows, paragraph};
use super::withheld::withheld;
use super::{ReportError, figures};

#[derive(Template)]
#[template(path = "comparison.html", config = "src/report/askama.toml")]
struct Page<'a> {
    comparison: &'a Comparison,
    renamed: bool,
    headline: &'static str,
    verdict_class: &'static str,
    pairs: Vec<PairView<'a>>,
    missing: Vec<String>,
    clips: [&'a str; 2],
    before_moving: &'a [&'a str],
    after_entering: &'a [&'a str],
    program: &'a str,
}

struct PairView<'a> {
    pair: &'a ComparedPair,
    sentence: String,
    promise: Option<String>,
    another_round: Option<String>,
    no_other_round: Option<String>,
    undeclared: Option<String>,
    numbers: Vec<NumberRow>,
    unit: &'static str,
    curve_kind: Option<&'static str>,
    chart: String,
    rows: Vec<Row>,
}

struct Row {
    stick: String,
    before: String,
    after: String,
    standing: Standing,
}

/// The page that sets two measurements side by side.
pub fn comparison_page(
    comparison: &Comparison,
    before: &Measurement,
    after: &Measurement,
) -> Result<String, ReportError> {
    let page = Page {
        comparison,
        renamed: comparison.models[0] != comparison.models[1],
        headline: headline(comparison.standing),
        verdict_class: match comparison.standing {
            Standing::Within => "alike",
            Standing::CannotTell => "plain",
            Standing::Out => "care",
        },
        pairs: comparison
            .pairs
            .iter()
            .filter_map(|pair| pair_view(pair, before, after))
            .collect(),
        missing: missing(comparison),
        clips: [&before.clip.path, &after.clip.path],
        before_moving: &cautions::BEFORE_MOVING,
        after_entering: &cautions::AFTER_ENTERING,
        program: &after.program,
    };
    Ok(without_unseen(&page.render()?))
}

/// The same for a terminal.
pub fn comparison_summary(comparison: &Comparison, after: &Measurement) -> String {
    let mut text = format!(
        "{}\n{}\n",
        comparison.models[1],
        headline(comparison.standing)
    );
    for pair in &comparison.pairs {
        text.push('\n');
        let more = [promise(pair), no_other_round(pair, after)];
        for words in std::iter::once(sentence(pair)).chain(more.into_iter().flatten()) {
            paragraph(&mut text, &words, "");
        }
        let _ = writeln!(
            text,
            "\n  {:>8}  {:>16}  {:>16}  accepted ±{}",
            "stick, %",
            "before, °",
            "after, °",
            figures::declared_deg(pair.tolerance_deg)
        );
        for row in rows(pair) {
            let (stick, before, after) = (&row.stick, &row.before, &row.after);
            let standing = row.standing.words();
            let _ = writeln!(text, "  {stick:>8}  {before:>16}  {after:>16}  {standing}");
        }
        add_next(&mut text, pair, after);
    }
    let missing = missing(comparison);
    if !missing.is_empty() {
        text.push('\n');
    }
    for words in missing {
        paragraph(&mut text, &words, "");
    }
    text
}

/// The question that has to be answered first, or the numbers for another round.
fn add_next(text: &mut String, pair: &ComparedPair, after: &Measurement) {
    if let Some(words) = undeclared(pair) {
        text.push('\n');
        paragraph(text, &words, "");
    }
    let (Some(words), Some(later)) = (another_round(pair, after), correction_of(after, pair))
    else {
        return;
    };
    text.push('\n');
    paragraph(text, &words, "");
    if let Some(kind) = curve_kind(after.radio.as_ref()) {
        paragraph(text, &format!("On this radio {kind}."), "");
    }
    let unit = Counting::of(after.radio.as_ref()).unit();
    let head = format!("\nEnter for the {} only, in {unit}", pair.follower);
    add_rows(text, &head, &number_rows(after, later));
}

/// Which surfaces only one of the clips measured, as sentences.
fn missing(comparison: &Comparison) -> Vec<String> {
    let sentence = |clip: Clip, words: &str| {
        let missing = comparison.missing.iter();
        let names: Vec<String> = missing
            .filter(|missing| missing.missing == clip)
            .map(|missing| match &missing.function {
                Some(function) => format!("{} ({function})", missing.surface),
                None => missing.surface.clone(),
            })
            .collect();
        (!names.is_empty()).then(|| {
            format!(
                "Not compared, since {words} does not measure them: {}.",
                names.join(", ")
            )
        })
    };
    let before = sentence(Clip::Before, "the first clip");
    let after = sentence(Clip::After, "the second clip");
    before.into_iter().chain(after).collect()
}

fn headline(standing: Standing) -> &'static str {
    match standing {
        Standing::Within => "Within tolerance",
        Standing::CannotTell => "Undecided: film again",
        Standing::Out => "Out of tolerance",
    }
}

fn pair_view<'a>(
    pair: &'a ComparedPair,
    before: &Measurement,
    after: &Measurement,
) -> Option<PairView<'a>> {
    let [earlier, later] = [before, after].map(|measurement| correction_of(measurement, pair));
    let (earlier, later) = (earlier?, later?);
    let another_round = another_round(pair, after);
    let numbers = match another_round {
        Some(_) => number_rows(after, later),
        None => Vec::new(),
    };
    let series = [("before", earlier), ("after", later)].map(|(words, correction)| Series {
        words,
        stations: &correction.found_deg,
    });
    Some(PairView {
        pair,
        sentence: figures::glued(&sentence(pair)),
        promise: promise(pair).map(|words| figures::glued(&words)),
        another_round: another_round.map(|words| figures::glued(&words)),
        no_other_round: no_other_round(pair, after),
        undeclared: undeclared(pair),
        curve_kind: curve_kind(after.radio.as_ref()),
        numbers,
        unit: Counting::of(after.radio.as_ref()).unit(),
        chart: in_both_formats(|format| {
            let names = [&pair.reference, &pair.follower];
            charts::two_mismatches(names, series, Some(pair.tolerance_deg), format)
        }),
        rows: rows(pair),
    })
}

fn correction_of<'a>(measurement: &'a Measurement, pair: &ComparedPair) -> Option<&'a Correction> {
    measurement.matches.iter().find(|correction| {
        correction.reference == pair.reference && correction.follower == pair.follower
    })
}

fn sentence(pair: &ComparedPair) -> String {
    let before = pair.worst_before_deg.map_or_else(
        || "an unknown mismatch".into(),
        |worst_deg| format!("a largest mismatch of {}", figures::plain_deg(worst_deg)),
    );
    let after = figures::plain_deg(pair.worst_after_deg);
    let not_comparable = match pair.from_level {
        [false, true] => {
            " The first figure counts each side from its own neutral, the second from the level \
             position: they do not compare."
        }
        [true, false] => {
            " The first figure counts from the level position, the second from each side's own \
             neutral: they do not compare."
        }
        _ => "",
    };
    let accepted = figures::declared_deg(pair.tolerance_deg);
    let changed = pair
        .tolerance_before_deg
        .map_or_else(String::new, |before_deg| {
            let before = figures::declared_deg(before_deg);
            format!(" The tolerance has changed: the first measurement accepted ±{before}.")
        });
    let ending = match pair.standing {
        Standing::Within => format!("all of it is within the accepted ±{accepted}"),
        Standing::Out => format!("you accept ±{accepted}"),
        Standing::CannotTell => format!(
            "the uncertainty of at least one figure includes the accepted ±{accepted}, so film \
             again with longer holds or larger tags"
        ),
    };
    format!(
        "The {} against the {} went from {before} to {after}; {ending}.{changed}{not_comparable}",
        pair.follower, pair.reference
    )
}

fn promise(pair: &ComparedPair) -> Option<String> {
    let promised = pair.promised_worst_deg?;
    if pair.not_entered {
        let promised = figures::at_most_deg(promised);
        return Some(format!(
            "The first report predicted at most {promised} (95 %)."
        ));
    }
    let kept = pair.worst_after_deg.value - pair.worst_after_deg.u() <= promised;
    let ending = if kept {
        "and that is what the second clip shows"
    } else {
        "but more is left; check that the numbers were entered for the correct servo, and look for play"
    };
    Some(format!(
        "The first report predicted at most {} (95 %), {ending}.",
        figures::at_most_deg(promised)
    ))
}

/// The numbers for another round are worth entering, and may be shown.
fn another_round(pair: &ComparedPair, after: &Measurement) -> Option<String> {
    let left = pair
        .another_round_deg
        .filter(|_| withheld(after).is_none())?;
    Some(format!(
        "Another round is worth it: it would leave at most {} (95 %).",
        figures::at_most_deg(left)
    ))
}

/// The question whether proposed numbers were entered.
fn undeclared(pair: &ComparedPair) -> Option<String> {
    if pair.not_entered {
        return Some(format!(
            "Both clips show the same motion of the {}, although the second measurement declares new \
             numbers. So the numbers were probably not entered, or entered for another servo. Check the \
             radio, enter them for the correct servo, and film again.",
            pair.follower
        ));
    }
    pair.proposal_undeclared.then(|| {
        format!(
            "The first measurement proposed numbers for the {}. The mismatch has gone down since, but the \
             second measurement declares no new numbers. If they were entered, run `hingewise match AFTER --entered BEFORE --out \
             FOLDER` with these two measurements and compare again: the next numbers have to start \
             from what is in the radio.",
            pair.follower
        )
    })
}

/// Why no numbers follow: they may not be shown, or the pair is not surely within and no other numbers
/// would surely help.
fn no_other_round(pair: &ComparedPair, after: &Measurement) -> Option<String> {
    if pair.another_round_deg.is_some() {
        return withheld(after).map(Into::into);
    }
    let is_open =
        pair.standing != Standing::Within && !pair.proposal_undeclared && !pair.not_entered;
    is_open.then(|| {
        "Another round of numbers is not worth it: none would clearly leave less. Check the \
         linkage for play, and how far each side reaches."
            .into()
    })
}

fn rows(pair: &ComparedPair) -> Vec<Row> {
    pair.stations
        .iter()
        .map(|station| Row {
            stick: figures::percent(station.stick_pct),
            before: station
                .before_deg
                .map_or_else(|| "–".into(), figures::signed_with_u),
            after: figures::signed_with_u(station.after_deg),
            standing: station.standing,
        })
        .collect()
}
