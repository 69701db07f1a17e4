//! The two widths for which everything is drawn: one drawing cannot be read at both.

/// For how wide a place a drawing is made. A unit of the drawing is about a px of the screen there, so
/// letters have the same size in both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// A page on the screen of a computer, or a whole sheet of paper.
    Wide,
    /// A phone held upright, or half of a sheet of paper.
    Narrow,
}

impl Format {
    /// Width of the drawing, in its own units.
    pub fn width(self) -> f64 {
        match self {
            Self::Wide => 720.0,
            Self::Narrow => 360.0,
        }
    }
}

/// The drawing for both widths; the page's style shows one of them.
pub fn in_both_formats(draw: impl Fn(Format) -> String) -> String {
    let [wide, narrow] = [Format::Wide, Format::Narrow].map(draw);
    html([&wide, &narrow])
}

/// Two drawings of the same, wide and narrow, of which the page's style shows one.
pub fn html([wide, narrow]: [&str; 2]) -> String {
    format!(
        "<div class=\"wide-drawing\">\n{wide}</div>\n<div class=\"narrow-drawing\">\n{narrow}</div>\n"
    )
}
