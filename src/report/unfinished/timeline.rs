//! When each tag and each card was seen, and when all surfaces rested.

use crate::report::figures;
use crate::report::format::Format;
use crate::report::palette::{BEFORE, GRID, HOLD, INK, SOFT_INK, SurfaceLook};
use crate::report::plot::Axis;
use crate::report::svg::{Anchor, Fill, Stroke, Svg, TextStyle};
use crate::tags::{DropReason, SightedFrame};

use super::Unfinished;
use super::tags::declared;

const LEFT: f64 = 4.0;
const RIGHT_MARGIN: f64 = 14.0;
/// Room for the numbers of the rests.
const HEAD: f64 = 20.0;
const ROW: f64 = 34.0;
/// From a row's upper side to the base line of its words, and to its bar.
const WORDS: f64 = 14.0;
const BAR: f64 = 19.0;
const BAR_HEIGHT: f64 = 9.0;
const FOOT: f64 = 40.0;
const SMALL: TextStyle = TextStyle::new(11.0, SOFT_INK, Anchor::Middle);
const NAME: TextStyle = TextStyle::new(12.0, INK, Anchor::Start);

/// Cards are looked for some times a second only: sightings nearer than this are one showing, s.
const ONE_SHOWING_S: f64 = 0.5;

/// First and last time of a run of frames, s.
type Span = [f64; 2];

/// One row: its label, and the spans in which the tag was seen.
struct Row {
    name: String,
    colour: &'static str,
    spans: Vec<Span>,
    /// Spans in which it was found but could not be used.
    refused: Vec<Span>,
    /// Words above some of the spans.
    words: Vec<(f64, String)>,
}

/// Rows of time, one a tag; rests are shaded and numbered.
pub fn timeline(seen: &Unfinished<'_>, format: Format) -> String {
    let start_s = seen.frames.first().map_or(0.0, |frame| frame.time_s);
    let end_s = seen.frames.last().map_or(1.0, |frame| frame.time_s);
    let mut rows: Vec<Row> = tag_rows(seen);
    rows.extend(card_row(seen));
    let bottom = HEAD + ROW * rows.len() as f64;
    let svg = Svg::new(format.width(), bottom + FOOT, "tags over time");
    let axis = Axis::time(start_s, end_s);
    let mut chart = Chart {
        svg,
        right: format.width() - RIGHT_MARGIN,
        axis,
        bottom,
    };
    chart.rests(seen);
    chart.ticks();
    for (index, row) in rows.iter().enumerate() {
        chart.row(row, HEAD + ROW * index as f64);
    }
    chart.svg.finish()
}

struct Chart {
    svg: Svg,
    right: f64,
    axis: Axis,
    bottom: f64,
}

impl Chart {
    fn x(&self, time_s: f64) -> f64 {
        LEFT + self.axis.share(time_s) * (self.right - LEFT)
    }

    /// Shades the rests; a number that would run into the one before it is left out.
    fn rests(&mut self, seen: &Unfinished<'_>) {
        let mut free_from = f64::NEG_INFINITY;
        for (index, rest) in seen.rests.iter().enumerate() {
            let [left, right] = rest.time_s.map(|time_s| self.x(time_s));
            let size = [(right - left).max(1.0), self.bottom - HEAD];
            self.svg.rectangle([left, HEAD], size, HOLD);
            let (word, middle) = ((index + 1).to_string(), (left + right) / 2.0);
            let half = SMALL.width(&word) / 2.0 + 2.0;
            if middle - half >= free_from {
                self.svg.text([middle, HEAD - 6.0], &word, SMALL);
                free_from = middle + half;
            }
        }
    }

    fn ticks(&mut self) {
        let thin = Stroke::solid(GRID, 1.0);
        for tick in self.axis.ticks() {
            let x = self.x(tick);
            self.svg.line([x, HEAD], [x, self.bottom], thin);
            let at = [x, self.bottom + 16.0];
            self.svg.text(at, &self.axis.label(tick), SMALL);
        }
        let style = TextStyle::new(12.0, INK, Anchor::End);
        self.svg
            .text([self.right, self.bottom + 33.0], "time, s", style);
    }

    fn row(&mut self, row: &Row, top: f64) {
        self.svg.text([LEFT, top + WORDS], &row.name, NAME.rimmed());
        let mut free_from = LEFT + NAME.width(&row.name) + 8.0;
        for (time_s, word) in &row.words {
            let x = self.x(*time_s);
            let half = SMALL.width(word) / 2.0 + 2.0;
            if x - half >= free_from {
                self.svg.text([x, top + WORDS], word, SMALL.rimmed());
                free_from = x + half;
            }
        }
        let [middle, right] = [top + BAR + BAR_HEIGHT / 2.0, self.right];
        self.svg
            .line([LEFT, middle], [right, middle], Stroke::solid(GRID, 1.0));
        let kinds = [(&row.spans, row.colour, 0.0), (&row.refused, BEFORE, 2.5)];
        for (spans, colour, inset) in kinds {
            let fill = Fill {
                colour,
                opacity: 1.0,
            };
            for span in spans {
                let [left, right] = span.map(|time_s| self.x(time_s));
                let size = [(right - left).max(1.0), BAR_HEIGHT - 2.0 * inset];
                self.svg.rectangle([left, top + BAR + inset], size, fill);
            }
        }
    }
}

fn tag_rows(seen: &Unfinished<'_>) -> Vec<Row> {
    let frames = seen.frames;
    let count =
        |of: &dyn Fn(&SightedFrame) -> bool| frames.iter().filter(|frame| of(frame)).count();
    let tags = declared(seen).into_iter().enumerate();
    tags.map(|(position, tag)| {
        let is_seen = |frame: &SightedFrame| frame.sighting(tag.id).is_some();
        let is_refused = |frame: &SightedFrame| {
            let mut dropped = frame.dropped.iter();
            dropped.any(|drop| drop.tag_id == tag.id && drop.reason != DropReason::NotFound)
        };
        let colour = match position < seen.model.surfaces.len() {
            true => SurfaceLook::of(position).colour,
            false => INK,
        };
        Row {
            name: format!(
                "{}, tag {}: {} of {} frames",
                tag.whose,
                tag.id,
                count(&is_seen),
                frames.len()
            ),
            colour,
            spans: spans(frames, is_seen, 0.0),
            refused: spans(frames, is_refused, 0.0),
            words: Vec::new(),
        }
    })
    .collect()
}

/// The row of the station cards, if the model file uses them.
fn card_row(seen: &Unfinished<'_>) -> Option<Row> {
    let stick_by_card = seen.model.cards();
    if stick_by_card.is_empty() {
        return None;
    }
    let mut showings: Vec<(Span, f64)> = stick_by_card
        .iter()
        .flat_map(|(&card, &stick_pct)| {
            let shown = spans(
                seen.frames,
                |frame: &SightedFrame| frame.sighting(card).is_some(),
                ONE_SHOWING_S,
            );
            shown.into_iter().map(move |span| (span, stick_pct))
        })
        .collect();
    showings.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
    Some(Row {
        name: match showings.is_empty() {
            true => "cards: none was seen".into(),
            false => "cards".into(),
        },
        colour: SOFT_INK,
        words: showings
            .iter()
            .map(|([from_s, to_s], stick_pct)| {
                ((from_s + to_s) / 2.0, figures::percent(*stick_pct))
            })
            .collect(),
        spans: showings.into_iter().map(|(span, _)| span).collect(),
        refused: Vec::new(),
    })
}

/// The spans of time in which frames show something. Gaps up to `bridged_s`, or too short to be drawn,
/// do not end a span.
fn spans(
    frames: &[SightedFrame],
    is_shown: impl Fn(&SightedFrame) -> bool,
    bridged_s: f64,
) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    let (Some(first), Some(last)) = (frames.first(), frames.last()) else {
        return spans;
    };
    let duration_s = last.time_s - first.time_s;
    let bridged_s = bridged_s.max(duration_s / Format::Wide.width());
    let mut is_next = false;
    for frame in frames {
        if !is_shown(frame) {
            is_next = false;
            continue;
        }
        match spans.last_mut() {
            Some(span) if is_next || frame.time_s - span[1] <= bridged_s => span[1] = frame.time_s,
            _ => spans.push([frame.time_s; 2]),
        }
        is_next = true;
    }
    spans
}
