//! Colours of the charts, distinguishable for the usual kinds of colour blindness and in a grey
//! print; shapes and dashes repeat the distinction.

use super::svg::{Fill, Stroke};

/// Text and axes.
pub const INK: &str = "#22292e";
/// Secondary text.
pub const SOFT_INK: &str = "#56616a";
/// Grid lines.
pub const GRID: &str = "#dfe3e6";
/// Mismatch as found.
pub const BEFORE: &str = "#9a2f63";
/// Mismatch as predicted, or as found in the later clip.
pub const AFTER: &str = "#0b6b6f";
/// The time span of a hold.
pub const HOLD: Fill = Fill {
    colour: "#e9edf2",
    opacity: 1.0,
};
/// The accepted range.
pub const ACCEPTED: Fill = Fill {
    colour: "#e3eedd",
    opacity: 1.0,
};

/// The look of one surface in every chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfaceLook {
    /// Its colour.
    pub colour: &'static str,
    /// Its dashes.
    pub dash: &'static str,
}

impl SurfaceLook {
    /// The looks of surfaces, by their position in the model file; they repeat after six.
    pub fn of(position: usize) -> Self {
        const LOOKS: [SurfaceLook; 6] = [
            SurfaceLook {
                colour: "#174a86",
                dash: "",
            },
            SurfaceLook {
                colour: "#d06a13",
                dash: "7 3",
            },
            SurfaceLook {
                colour: "#4f8a5b",
                dash: "2 3",
            },
            SurfaceLook {
                colour: "#7d5ba6",
                dash: "9 3 2 3",
            },
            SurfaceLook {
                colour: "#8a7a22",
                dash: "12 4",
            },
            SurfaceLook {
                colour: "#5b6670",
                dash: "4 2",
            },
        ];
        LOOKS[position % LOOKS.len()]
    }

    /// A line in this look.
    pub fn stroke(self, width: f64) -> Stroke {
        Stroke::dashed(self.colour, width, self.dash)
    }
}
