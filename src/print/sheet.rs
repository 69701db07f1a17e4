//! One sheet of paper and its contents, in millimetres.

use nalgebra::{Point2, Vector2};

use super::typeface::{ASCENT_EM, DESCENT_EM, Face, MM_PER_PT, text_width_mm};

/// A point on the sheet: mm from its top-left corner, x right and y down.
pub type PointMm = Point2<f64>;

/// A rectangle along the sides of the sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left side.
    pub left_mm: f64,
    /// Upper side.
    pub top_mm: f64,
    /// Width.
    pub width_mm: f64,
    /// Height.
    pub height_mm: f64,
}

impl Area {
    /// A rectangle by its top-left corner and its size.
    pub fn new(left_mm: f64, top_mm: f64, width_mm: f64, height_mm: f64) -> Self {
        Self {
            left_mm,
            top_mm,
            width_mm,
            height_mm,
        }
    }

    /// Right side.
    pub fn right_mm(&self) -> f64 {
        self.left_mm + self.width_mm
    }

    /// Lower side.
    pub fn bottom_mm(&self) -> f64 {
        self.top_mm + self.height_mm
    }

    /// Middle.
    pub fn centre(&self) -> PointMm {
        Point2::new(
            self.left_mm + self.width_mm / 2.0,
            self.top_mm + self.height_mm / 2.0,
        )
    }

    /// The rectangle grown by a margin on all sides.
    pub fn grown(&self, margin_mm: f64) -> Self {
        Self::new(
            self.left_mm - margin_mm,
            self.top_mm - margin_mm,
            self.width_mm + 2.0 * margin_mm,
            self.height_mm + 2.0 * margin_mm,
        )
    }

    /// Its corners, closed: top-left, top-right, bottom-right, bottom-left, top-left.
    pub(super) fn outline(&self) -> Vec<PointMm> {
        vec![
            Point2::new(self.left_mm, self.top_mm),
            Point2::new(self.right_mm(), self.top_mm),
            Point2::new(self.right_mm(), self.bottom_mm()),
            Point2::new(self.left_mm, self.bottom_mm()),
            Point2::new(self.left_mm, self.top_mm),
        ]
    }

    fn around(points: &[PointMm]) -> Self {
        let low = points
            .iter()
            .copied()
            .reduce(|a, b| a.inf(&b))
            .unwrap_or_default();
        let high = points
            .iter()
            .copied()
            .reduce(|a, b| a.sup(&b))
            .unwrap_or_default();
        Self::new(low.x, low.y, high.x - low.x, high.y - low.y)
    }

    fn moved(&self, by_mm: Vector2<f64>) -> Self {
        Self {
            left_mm: self.left_mm + by_mm.x,
            top_mm: self.top_mm + by_mm.y,
            ..*self
        }
    }
}

/// A pattern that the camera reads: a tag, or a whole board.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Outer edge of the black.
    pub outline: Area,
    /// White that must stay around the outline.
    pub white_margin_mm: f64,
    /// The black parts; pieces may touch, but do not overlap.
    pub black: Vec<Area>,
}

/// Which way a text runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// From left to right.
    Across,
    /// From bottom to top.
    Upward,
    /// From right to left, on its head: upright once a fold has turned it.
    OnItsHead,
}

/// A line of text.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// The text.
    pub content: String,
    /// Typeface.
    pub face: Face,
    /// Size of type, points.
    pub size_pt: f64,
    /// Where its base line starts.
    pub start: PointMm,
    /// Which way it runs.
    pub reading: Reading,
}

impl Text {
    /// A text that runs across, from the start of its base line.
    pub fn across(content: impl Into<String>, face: Face, size_pt: f64, start: PointMm) -> Self {
        Self {
            content: content.into(),
            face,
            size_pt,
            start,
            reading: Reading::Across,
        }
    }

    /// The same text with the middle of its base line where its start was.
    pub(super) fn centred(mut self) -> Self {
        let half_mm = self.width_mm() / 2.0;
        match self.reading {
            Reading::Across => self.start.x -= half_mm,
            Reading::Upward => self.start.y += half_mm,
            Reading::OnItsHead => self.start.x += half_mm,
        }
        self
    }

    /// Length of the line.
    pub fn width_mm(&self) -> f64 {
        text_width_mm(&self.content, self.face, self.size_pt)
    }

    /// The room it takes, from the tallest letters to the deepest.
    pub fn bounds(&self) -> Area {
        let em_mm = self.size_pt * MM_PER_PT;
        let (up_mm, down_mm) = (ASCENT_EM * em_mm, DESCENT_EM * em_mm);
        let height_mm = up_mm + down_mm;
        match self.reading {
            Reading::Across => Area::new(
                self.start.x,
                self.start.y - up_mm,
                self.width_mm(),
                height_mm,
            ),
            Reading::Upward => Area::new(
                self.start.x - up_mm,
                self.start.y - self.width_mm(),
                height_mm,
                self.width_mm(),
            ),
            Reading::OnItsHead => Area::new(
                self.start.x - self.width_mm(),
                self.start.y - down_mm,
                self.width_mm(),
                height_mm,
            ),
        }
    }
}

/// An instruction for the user.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineKind {
    /// Cut along it.
    Cut,
    /// Fold along it.
    Fold,
    /// Part of a sketch.
    Drawing,
    /// From a label to the thing it names.
    Pointer,
}

/// Joined straight strokes.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Its corners in order.
    pub points: Vec<PointMm>,
    /// Purpose of the line.
    pub kind: LineKind,
}

/// An item on a sheet.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A tag or a board.
    Pattern(Pattern),
    /// A black bar to be measured.
    Bar(Area),
    /// A line of text.
    Text(Text),
    /// Strokes.
    Line(Line),
    /// A black shape: an arrow head.
    Shape(Vec<PointMm>),
}

impl Item {
    /// A line between two points.
    pub(super) fn line(kind: LineKind, from: PointMm, to: PointMm) -> Self {
        Self::Line(Line {
            points: vec![from, to],
            kind,
        })
    }

    /// The room it takes, the white margin of a pattern included.
    pub fn bounds(&self) -> Area {
        match self {
            Self::Pattern(pattern) => pattern.outline.grown(pattern.white_margin_mm),
            Self::Bar(area) => *area,
            Self::Text(text) => text.bounds(),
            Self::Line(line) => Area::around(&line.points),
            Self::Shape(points) => Area::around(points),
        }
    }

    /// The same item elsewhere.
    pub(super) fn moved(self, by_mm: Vector2<f64>) -> Self {
        let shifted =
            |points: Vec<PointMm>| points.into_iter().map(|point| point + by_mm).collect();
        match self {
            Self::Pattern(pattern) => Self::Pattern(Pattern {
                outline: pattern.outline.moved(by_mm),
                black: pattern.black.iter().map(|area| area.moved(by_mm)).collect(),
                ..pattern
            }),
            Self::Bar(area) => Self::Bar(area.moved(by_mm)),
            Self::Text(text) => Self::Text(Text {
                start: text.start + by_mm,
                ..text
            }),
            Self::Line(line) => Self::Line(Line {
                points: shifted(line.points),
                ..line
            }),
            Self::Shape(points) => Self::Shape(shifted(points)),
        }
    }
}

/// One side of one sheet of paper.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Width of the paper as the sheet is read.
    pub width_mm: f64,
    /// Height of the paper as the sheet is read.
    pub height_mm: f64,
    /// Printed length of one millimetre, across and down; the PDF is scaled by the inverse.
    pub printer_scale: [f64; 2],
    /// Contents.
    pub items: Vec<Item>,
}
