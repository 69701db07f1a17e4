//! A small writer of SVG 1.1: shapes with their style as attributes, so that a drawing is
//! self-contained, inside a page or as a file. No script, no external fonts.

use std::fmt::Write;

/// A place in a drawing: x to the right, y down, in the drawing's units (px on screen).
pub type Place = [f64; 2];

/// Fonts that are on the usual systems.
const FONTS: &str = "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', Arial, sans-serif";

/// Mean width of a letter over the font's size; on the wide side, so that text never runs over.
const LETTER_WIDTH: f64 = 0.54;

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Colour as SVG writes it.
    pub colour: &'static str,
    /// Width in the drawing's units.
    pub width: f64,
    /// Lengths of dashes and gaps; empty for a solid line.
    pub dash: &'static str,
}

impl Stroke {
    /// A solid line.
    pub const fn solid(colour: &'static str, width: f64) -> Self {
        Self {
            colour,
            width,
            dash: "",
        }
    }

    /// A dashed line.
    pub const fn dashed(colour: &'static str, width: f64, dash: &'static str) -> Self {
        Self {
            colour,
            width,
            dash,
        }
    }
}

/// How an area is filled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fill {
    /// Colour as SVG writes it.
    pub colour: &'static str,
    /// From 0, invisible, to 1.
    pub opacity: f64,
}

/// The anchor of a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its left end.
    Start,
    /// Its middle.
    Middle,
    /// Its right end.
    End,
}

/// How a text is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TextStyle {
    /// Height of the font in the drawing's units.
    pub size: f64,
    /// Colour as SVG writes it.
    pub colour: &'static str,
    /// The anchor.
    pub anchor: Anchor,
    /// Heavy letters.
    pub bold: bool,
    /// A light rim, for text over a photograph.
    pub rim: bool,
}

impl TextStyle {
    /// Plain text.
    pub const fn new(size: f64, colour: &'static str, anchor: Anchor) -> Self {
        Self {
            size,
            colour,
            anchor,
            bold: false,
            rim: false,
        }
    }

    /// The same in heavy letters.
    pub const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    /// The same with a light rim.
    pub const fn rimmed(self) -> Self {
        Self { rim: true, ..self }
    }

    /// The width that a text takes at most, in the drawing's units.
    pub fn width(&self, text: &str) -> f64 {
        text.chars().count() as f64 * LETTER_WIDTH * self.size
    }

    /// The text broken between words into lines no wider than `width`; a longer word stays whole.
    pub fn wrapped(&self, text: &str, width: f64) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            match lines.last_mut() {
                Some(line) if self.width(line) + self.width(" ") + self.width(word) <= width => {
                    line.push(' ');
                    line.push_str(word);
                }
                _ => lines.push(word.into()),
            }
        }
        lines
    }
}

/// The symbol of a measured point; shapes repeat the distinction made by colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Filled circle.
    Disc,
    /// Hollow square.
    Square,
    /// Filled triangle, tip up.
    Up,
    /// Hollow triangle, tip down.
    Down,
}

/// A drawing that grows shape by shape; later shapes cover earlier ones.
#[derive(Debug, Clone)]
pub struct Svg {
    width: f64,
    height: f64,
    title: String,
    body: String,
}

impl Svg {
    /// An empty drawing; the title is read out to those who cannot see it.
    pub fn new(width: f64, height: f64, title: &str) -> Self {
        Self {
            width,
            height,
            title: title.into(),
            body: String::new(),
        }
    }

    /// A straight line.
    pub fn line(&mut self, from: Place, to: Place, stroke: Stroke) {
        self.polyline(&[from, to], stroke);
    }

    /// Straight lines from place to place.
    pub fn polyline(&mut self, places: &[Place], stroke: Stroke) {
        if places.len() < 2 {
            return;
        }
        let points = points(places);
        let look = stroke_attributes(stroke);
        self.push(format_args!(
            "<polyline points=\"{points}\" fill=\"none\" {look}/>"
        ));
    }

    /// A closed area, with an outline where one is wanted.
    pub fn polygon(&mut self, places: &[Place], fill: Option<Fill>, stroke: Option<Stroke>) {
        let points = points(places);
        let look = look(fill, stroke);
        self.push(format_args!("<polygon points=\"{points}\" {look}/>"));
    }

    /// An upright rectangle from its upper left corner.
    pub fn rectangle(&mut self, at: Place, size: [f64; 2], fill: Fill) {
        let ([x, y], [width, height]) = (at.map(figure), size.map(figure));
        let look = look(Some(fill), None);
        self.push(format_args!(
            "<rect x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\" {look}/>"
        ));
    }

    /// The sign of a measured point.
    pub fn mark(&mut self, at: Place, mark: Mark, colour: &'static str) {
        const R: f64 = 4.0;
        const OUTLINE: f64 = 1.5;
        let [x, y] = at;
        let solid = Some(Fill {
            colour,
            opacity: 1.0,
        });
        let hollow = Some(Fill {
            colour: "#ffffff",
            opacity: 1.0,
        });
        let outline = Some(Stroke::solid(colour, OUTLINE));
        match mark {
            Mark::Disc => {
                let [x, y, r] = [x, y, R - 0.5].map(figure);
                self.push(format_args!(
                    "<circle cx=\"{x}\" cy=\"{y}\" r=\"{r}\" fill=\"{colour}\"/>"
                ));
            }
            Mark::Square => {
                let r = R - 0.7;
                let corners = [
                    [x - r, y - r],
                    [x + r, y - r],
                    [x + r, y + r],
                    [x - r, y + r],
                ];
                self.polygon(&corners, hollow, outline);
            }
            Mark::Up => {
                let corners = [[x, y - R], [x + R, y + R * 0.8], [x - R, y + R * 0.8]];
                self.polygon(&corners, solid, None);
            }
            Mark::Down => {
                let corners = [[x, y + R], [x + R, y - R * 0.8], [x - R, y - R * 0.8]];
                self.polygon(&corners, hollow, outline);
            }
        }
    }

    /// One line of text; its base line runs through the place.
    pub fn text(&mut self, at: Place, text: &str, style: TextStyle) {
        let [x, y, size] = [at[0], at[1], style.size].map(figure);
        let anchor = match style.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let weight = if style.bold {
            " font-weight=\"600\""
        } else {
            ""
        };
        let rim = if style.rim {
            " stroke=\"#ffffff\" stroke-width=\"4\" stroke-linejoin=\"round\" paint-order=\"stroke\""
        } else {
            ""
        };
        let colour = style.colour;
        let text = escaped(text);
        self.push(format_args!(
            "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\" text-anchor=\"{anchor}\" \
             fill=\"{colour}\"{weight}{rim}>{text}</text>"
        ));
    }

    /// A JPEG picture over the whole drawing.
    pub fn photograph(&mut self, jpeg: &[u8]) {
        use base64::Engine;
        let data = base64::engine::general_purpose::STANDARD.encode(jpeg);
        let [width, height] = [self.width, self.height].map(figure);
        self.push(format_args!(
            "<image width=\"{width}\" height=\"{height}\" href=\"data:image/jpeg;base64,{data}\"/>"
        ));
    }

    /// The drawing as text.
    pub fn finish(self) -> String {
        let [width, height] = [self.width, self.height].map(figure);
        let title = escaped(&self.title);
        let body = self.body;
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" \
             role=\"img\" aria-label=\"{title}\" font-family=\"{FONTS}\">\n\
             <title>{title}</title>\n{body}</svg>\n"
        )
    }

    fn push(&mut self, element: std::fmt::Arguments<'_>) {
        // Writing to a String cannot fail.
        let _ = writeln!(self.body, "{element}");
    }
}

fn points(places: &[Place]) -> String {
    places
        .iter()
        .map(|place| place.map(figure).join(","))
        .collect::<Vec<_>>()
        .join(" ")
}

fn look(fill: Option<Fill>, stroke: Option<Stroke>) -> String {
    let fill = match fill {
        None => "fill=\"none\"".into(),
        Some(fill) if fill.opacity >= 1.0 => format!("fill=\"{}\"", fill.colour),
        Some(fill) => format!(
            "fill=\"{}\" fill-opacity=\"{}\"",
            fill.colour,
            figure(fill.opacity)
        ),
    };
    match stroke {
        None => fill,
        Some(stroke) => format!("{fill} {}", stroke_attributes(stroke)),
    }
}

fn stroke_attributes(stroke: Stroke) -> String {
    let mut look = format!(
        "stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"",
        stroke.colour,
        figure(stroke.width)
    );
    if !stroke.dash.is_empty() {
        let _ = write!(look, " stroke-dasharray=\"{}\"", stroke.dash);
    }
    look
}

/// A coordinate with the hundredths that a printed page can show, and no more.
fn figure(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0 + 0.0;
    format!("{rounded}")
}

/// Text that cannot be taken for markup (XML 1.0, 2.4).
fn escaped(text: &str) -> String {
    text.chars().filter(|letter| !letter.is_control()).fold(
        String::with_capacity(text.len()),
        |mut out, letter| {
            match letter {
                '&' => out.push_str("&amp;"),
                '<' => out.push_str("&lt;"),
                '>' => out.push_str("&gt;"),
                '"' => out.push_str("&quot;"),
                '\'' => out.push_str("&#39;"),
                other => out.push(other),
            }
            out
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_break_the_markup() {
        let mut svg = Svg::new(10.0, 10.0, "a \"b\" <c>");
        let style = TextStyle::new(10.0, "#000000", Anchor::Start);
        svg.text([0.0, 0.0], "<script>&'\u{0}", style);
        let text = svg.finish();
        assert!(
            text.contains("aria-label=\"a &quot;b&quot; &lt;c&gt;\""),
            "{text}"
        );
        assert!(text.contains(">&lt;script&gt;&amp;&#39;</text>"), "{text}");
    }

    #[test]
    fn coordinates_bear_no_needless_digits() {
        assert_eq!(figure(1.0 / 3.0), "0.33");
        assert_eq!(figure(-0.001), "0");
        assert_eq!(figure(120.0), "120");
    }

    #[test]
    fn a_long_text_is_broken_between_words() {
        // 0.54 of 10 units a letter: nine letters and a space are 54 units.
        let style = TextStyle::new(10.0, "#000000", Anchor::Start);
        let lines = style.wrapped("deflection of an aileron", 56.0);
        assert_eq!(lines, ["deflection", "of an", "aileron"]);
        assert!(style.wrapped("", 56.0).is_empty());
    }

    #[test]
    fn a_line_of_one_place_is_left_out() {
        let mut svg = Svg::new(10.0, 10.0, "");
        svg.polyline(&[[1.0, 1.0]], Stroke::solid("#000000", 1.0));
        assert!(svg.finish().ends_with("<title></title>\n</svg>\n"));
    }
}
