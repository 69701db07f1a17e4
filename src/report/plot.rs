//! A plot: two axes with even ticks, a legend above the plot area, and the shapes of data.

use super::format::Format;
use super::palette::{GRID, INK, SOFT_INK};
use super::svg::{Anchor, Fill, Mark, Place, Stroke, Svg, TextStyle};

const MARGIN_RIGHT: f64 = 16.0;
const MARGIN_BOTTOM: f64 = 46.0;
const TITLE_ROW: f64 = 16.0;
const TITLE_GAP: f64 = 6.0;
/// Least room between the words at two ticks.
const TICK_GAP: f64 = 4.0;
const LEGEND_ROW: f64 = 20.0;
const LEGEND_SIGN: f64 = 32.0;
const LEGEND_GAP: f64 = 10.0;
const TICK_TEXT: f64 = 12.0;

/// One axis: its range and its ticks.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    low: f64,
    high: f64,
    step: f64,
    signed: bool,
    title: String,
}

impl Axis {
    /// An axis over all figures, widened to whole steps of 1, 2 or 5 times a power of ten.
    pub fn covering(figures: impl IntoIterator<Item = f64>, title: &str) -> Self {
        let (low, high) = figures
            .into_iter()
            .filter(|figure| figure.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), figure| {
                (low.min(figure), high.max(figure))
            });
        let (low, high) = match high - low {
            span if span > 1e-9 => (low, high),
            span if span >= 0.0 => (low - 0.5, high + 0.5),
            _ => (-1.0, 1.0),
        };
        let step = even_step((high - low) / 6.0);
        Self {
            low: (low / step).floor() * step,
            high: (high / step).ceil() * step,
            step,
            signed: true,
            title: title.into(),
        }
    }

    /// The stick's axis, −100 % … +100 %, wider if stations are beyond.
    pub fn stick(stations_pct: impl IntoIterator<Item = f64>) -> Self {
        let reach = stations_pct
            .into_iter()
            .fold(100.0, |reach: f64, at| reach.max(at.abs()));
        Self {
            low: -reach - 5.0,
            high: reach + 5.0,
            step: 25.0,
            signed: true,
            title: "stick, %".into(),
        }
    }

    /// The axis of time, without empty ends.
    pub fn time(from_s: f64, to_s: f64) -> Self {
        let to_s = to_s.max(from_s + 1e-3);
        Self {
            low: from_s,
            high: to_s,
            step: even_step((to_s - from_s) / 10.0),
            signed: false,
            title: "time, s".into(),
        }
    }

    /// Positions of the ticks, rising.
    pub fn ticks(&self) -> Vec<f64> {
        let first = (self.low / self.step - 1e-9).ceil() as i64;
        let last = (self.high / self.step + 1e-9).floor() as i64;
        (first..=last).map(|tick| tick as f64 * self.step).collect()
    }

    /// Label of a tick.
    pub fn label(&self, tick: f64) -> String {
        let decimals = (-self.step.log10() - 1e-9).ceil().max(0.0) as usize;
        let figure = format!("{:.decimals$}", tick.abs());
        match tick {
            tick if tick < -self.step / 2.0 => format!("−{figure}"),
            tick if tick > self.step / 2.0 && self.signed => format!("+{figure}"),
            _ => figure,
        }
    }

    /// Position of a figure between the ends, 0 to 1.
    pub fn share(&self, figure: f64) -> f64 {
        (figure - self.low) / (self.high - self.low)
    }
}

/// The smallest of 1, 2, 5 times a power of ten that is at least `least`.
fn even_step(least: f64) -> f64 {
    let decade = 10f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * decade)
        .find(|step| *step >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * decade)
}

/// One entry of a legend: a piece of line, a mark, or a filled patch, with its label.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The line, if there is one.
    pub stroke: Option<Stroke>,
    /// The mark and its colour, if there is one.
    pub mark: Option<(Mark, &'static str)>,
    /// The patch, if there is one.
    pub fill: Option<Fill>,
    /// Label.
    pub text: String,
}

impl Entry {
    /// An entry for a line with marks on it.
    pub fn line(stroke: Stroke, mark: Option<Mark>, text: impl Into<String>) -> Self {
        Self {
            stroke: Some(stroke),
            mark: mark.map(|mark| (mark, stroke.colour)),
            fill: None,
            text: text.into(),
        }
    }

    /// An entry for marks without a line.
    pub fn mark(mark: Mark, colour: &'static str, text: impl Into<String>) -> Self {
        Self {
            stroke: None,
            mark: Some((mark, colour)),
            fill: None,
            text: text.into(),
        }
    }

    /// An entry for a filled area.
    pub fn patch(fill: Fill, text: impl Into<String>) -> Self {
        Self {
            stroke: None,
            mark: None,
            fill: Some(fill),
            text: text.into(),
        }
    }

    fn width(&self) -> f64 {
        LEGEND_SIGN + style(SOFT_INK, Anchor::Start).width(&self.text) + LEGEND_GAP
    }
}

fn style(colour: &'static str, anchor: Anchor) -> TextStyle {
    TextStyle::new(TICK_TEXT, colour, anchor)
}

/// A plot that grows layer by layer.
#[derive(Debug, Clone)]
pub struct Plot {
    svg: Svg,
    x: Axis,
    y: Axis,
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Plot {
    /// An empty plot whose area is `height` high, below its title and legend.
    pub fn new(
        title: &str,
        (format, height): (Format, f64),
        axes: [Axis; 2],
        legend: &[Entry],
    ) -> Self {
        let [x, y] = axes;
        let left = margin_left(format);
        let right = format.width() - MARGIN_RIGHT;
        let heading = style(INK, Anchor::Start);
        let title_rows = heading.wrapped(&y.title, right - left);
        let title_height = TITLE_ROW * title_rows.len() as f64 + TITLE_GAP;
        let rows = legend_rows(legend, right - left);
        let top = title_height + LEGEND_ROW * rows.len() as f64 + 6.0;
        let bottom = top + height;
        let mut svg = Svg::new(format.width(), bottom + MARGIN_BOTTOM, title);
        for (row, text) in title_rows.iter().enumerate() {
            svg.text([left, TITLE_ROW * (row + 1) as f64 - 1.0], text, heading);
        }
        svg.text([right, bottom + 38.0], &x.title, style(INK, Anchor::End));
        for (row, entries) in rows.iter().enumerate() {
            let baseline = title_height + LEGEND_ROW * row as f64 + 14.0;
            draw_legend_row(&mut svg, entries, [left, baseline]);
        }
        Self {
            svg,
            x,
            y,
            left,
            right,
            top,
            bottom,
        }
    }

    /// Position of a data point in the drawing.
    pub fn at(&self, x: f64, y: f64) -> Place {
        [
            self.left + self.x.share(x) * (self.right - self.left),
            self.bottom - self.y.share(y) * (self.bottom - self.top),
        ]
    }

    /// A horizontal band over the whole width.
    pub fn accepted(&mut self, low: f64, high: f64, fill: Fill) {
        let [_, upper] = self.at(self.x.low, high.min(self.y.high));
        let [_, lower] = self.at(self.x.low, low.max(self.y.low));
        let size = [self.right - self.left, lower - upper];
        self.svg.rectangle([self.left, upper], size, fill);
    }

    /// A vertical band over the whole height, with a word above where it fits.
    pub fn span(&mut self, from: f64, to: f64, fill: Fill, word: Option<&str>) {
        let [left, _] = self.at(from, self.y.low);
        let [right, _] = self.at(to, self.y.low);
        let size = [right - left, self.bottom - self.top];
        self.svg.rectangle([left, self.top], size, fill);
        if let Some(word) = word {
            let small = TextStyle::new(10.0, SOFT_INK, Anchor::Middle);
            let at = [(left + right) / 2.0, self.top + 11.0];
            self.svg.text(at, word, small);
        }
    }

    /// Grid, ticks and the zero line; drawn over bands and under data.
    pub fn grid(&mut self) {
        let thin = Stroke::solid(GRID, 1.0);
        for tick in self.y.ticks() {
            let [_, y] = self.at(self.x.low, tick);
            self.svg.line([self.left, y], [self.right, y], thin);
            let label = self.y.label(tick);
            let at = [self.left - 8.0, y + 4.0];
            self.svg.text(at, &label, style(SOFT_INK, Anchor::End));
        }
        let every = self.ticks_a_word();
        for (index, tick) in self.x.ticks().into_iter().enumerate() {
            let [x, _] = self.at(tick, self.y.low);
            self.svg.line([x, self.top], [x, self.bottom], thin);
            if index % every == 0 {
                let label = self.x.label(tick);
                let at = [x, self.bottom + 18.0];
                self.svg.text(at, &label, style(SOFT_INK, Anchor::Middle));
            }
        }
        if self.y.low < 0.0 && self.y.high > 0.0 {
            let [_, y] = self.at(self.x.low, 0.0);
            let zero = Stroke::solid(SOFT_INK, 1.0);
            self.svg.line([self.left, y], [self.right, y], zero);
        }
    }

    /// How many ticks along x share one word, so that no two words touch.
    fn ticks_a_word(&self) -> usize {
        let ticks = self.x.ticks();
        let tick_style = style(SOFT_INK, Anchor::Middle);
        let widths = ticks
            .iter()
            .map(|&tick| tick_style.width(&self.x.label(tick)));
        let needed = widths.fold(0.0, f64::max) + TICK_GAP;
        let step = self.x.step / (self.x.high - self.x.low) * (self.right - self.left);
        ((needed / step).ceil() as usize).max(1)
    }

    /// A line through points of the data.
    pub fn curve(&mut self, points: &[(f64, f64)], stroke: Stroke) {
        let places: Vec<Place> = points.iter().map(|&(x, y)| self.at(x, y)).collect();
        self.svg.polyline(&places, stroke);
    }

    /// The area between a low and a high figure along x.
    pub fn band(&mut self, points: &[(f64, f64, f64)], fill: Fill) {
        if points.len() < 2 {
            return;
        }
        let upper = points.iter().map(|&(x, _, high)| self.at(x, high));
        let lower = points.iter().rev().map(|&(x, low, _)| self.at(x, low));
        let places: Vec<Place> = upper.chain(lower).collect();
        self.svg.polygon(&places, Some(fill), None);
    }

    /// A measured point with its error bar, `u` up and down.
    pub fn measured(&mut self, point: (f64, f64), u: f64, mark: Mark, colour: &'static str) {
        const CAP: f64 = 3.5;
        let (x, y) = point;
        let [at_x, low] = self.at(x, y - u);
        let [_, high] = self.at(x, y + u);
        let bar = Stroke::solid(colour, 1.3);
        self.svg.line([at_x, low], [at_x, high], bar);
        for end in [low, high] {
            self.svg.line([at_x - CAP, end], [at_x + CAP, end], bar);
        }
        let place = self.at(x, y);
        self.svg.mark(place, mark, colour);
    }

    /// The plot as SVG.
    pub fn finish(self) -> String {
        self.svg.finish()
    }
}

/// Room for the words at the ticks along y.
fn margin_left(format: Format) -> f64 {
    match format {
        Format::Wide => 58.0,
        Format::Narrow => 44.0,
    }
}

fn legend_rows(legend: &[Entry], width: f64) -> Vec<Vec<&Entry>> {
    let mut rows: Vec<Vec<&Entry>> = Vec::new();
    let mut used = f64::INFINITY;
    for entry in legend {
        if used + entry.width() > width {
            rows.push(Vec::new());
            used = 0.0;
        }
        used += entry.width();
        if let Some(row) = rows.last_mut() {
            row.push(entry);
        }
    }
    rows
}

fn draw_legend_row(svg: &mut Svg, entries: &[&Entry], at: Place) {
    let [mut x, baseline] = at;
    let middle = baseline - 4.0;
    for entry in entries {
        let (from, to) = (x, x + LEGEND_SIGN - 8.0);
        if let Some(fill) = entry.fill {
            svg.rectangle([from, middle - 6.0], [to - from, 12.0], fill);
        }
        if let Some(stroke) = entry.stroke {
            svg.line([from, middle], [to, middle], stroke);
        }
        if let Some((mark, colour)) = entry.mark {
            svg.mark([(from + to) / 2.0, middle], mark, colour);
        }
        let text_at = [x + LEGEND_SIGN, baseline];
        svg.text(text_at, &entry.text, style(SOFT_INK, Anchor::Start));
        x += entry.width();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_even_and_hold_all_figures() {
        let axis = Axis::covering([-0.31, 1.94], "");
        assert_eq!(axis.step, 0.5);
        assert_eq!(axis.ticks(), [-0.5, 0.0, 0.5, 1.0, 1.5, 2.0]);
        let labels: Vec<String> = axis.ticks().iter().map(|&tick| axis.label(tick)).collect();
        assert_eq!(labels, ["−0.5", "0.0", "+0.5", "+1.0", "+1.5", "+2.0"]);
    }

    #[test]
    fn axes_of_nothing_or_of_one_figure_still_have_a_range() {
        assert_eq!(Axis::covering([], "").ticks().len(), 5);
        let one = Axis::covering([3.0], "");
        assert!(one.low < 3.0 && one.high > 3.0);
        let not_a_number = Axis::covering([f64::NAN, f64::INFINITY], "");
        assert!(not_a_number.low < not_a_number.high);
    }

    #[test]
    fn legends_that_are_too_long_take_another_row() {
        let entry = Entry::patch(super::super::palette::HOLD, "x".repeat(50));
        let legend = vec![entry.clone(), entry.clone(), entry];
        let rows = legend_rows(&legend, 646.0);
        assert_eq!(
            rows.iter().map(Vec::len).collect::<Vec<_>>(),
            [1, 1, 1],
            "50 letters take 366 of 646 with the sign and the gap"
        );
    }
}
