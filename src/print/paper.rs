//! The paper, and the scale of the printer.

use std::str::FromStr;

use super::PrintError;

/// Length of the bars that every sheet bears along both sides.
pub const BAR_MM: f64 = 100.0;

/// A printer that is further off than this was not measured on the bars, or scales on purpose.
const LARGEST_BAR_ERROR_MM: f64 = 15.0;

/// A size of paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 × 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 × 11 inches (ANSI/ASME Y14.1, size A).
    Letter,
}

impl Paper {
    /// Short and long side.
    pub fn sides_mm(self) -> [f64; 2] {
        match self {
            Self::A4 => [210.0, 297.0],
            Self::Letter => [215.9, 279.4],
        }
    }

    /// Name of the paper.
    pub fn name(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "Letter",
        }
    }
}

/// Which way a sheet is held to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Orientation {
    Portrait,
    Landscape,
}

/// Lengths of the 100 mm bars, measured on an earlier print.
///
/// They are named by the sides of the paper, because the two directions of a printer stay with
/// the paper when a sheet is laid out in landscape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredBar {
    /// The bar along the short side.
    pub short_side_mm: f64,
    /// The bar along the long side.
    pub long_side_mm: f64,
}

impl MeasuredBar {
    /// Refuses lengths that no printer makes of 100 mm.
    pub fn new(short_side_mm: f64, long_side_mm: f64) -> Result<Self, PrintError> {
        for measured_mm in [short_side_mm, long_side_mm] {
            let error_mm = (measured_mm - BAR_MM).abs();
            if !error_mm.is_finite() || error_mm > LARGEST_BAR_ERROR_MM {
                return Err(PrintError::MeasuredBarImplausible { measured_mm });
            }
        }
        Ok(Self {
            short_side_mm,
            long_side_mm,
        })
    }

    /// Size of a tag of this edge on the sheet whose bars were measured, as the mean of its two
    /// directions: declare it as `edge_mm` to keep that sheet.
    pub fn printed_edge_mm(&self, edge_mm: f64) -> f64 {
        edge_mm * (self.short_side_mm + self.long_side_mm) / (2.0 * BAR_MM)
    }
}

/// `98.7`, the same in both directions, or `98.7,99.1`, short side first.
impl FromStr for MeasuredBar {
    type Err = PrintError;

    fn from_str(text: &str) -> Result<Self, PrintError> {
        let lengths: Option<Vec<f64>> = text
            .split(',')
            .map(|part| part.trim().parse().ok())
            .collect();
        match lengths.as_deref() {
            Some([both]) => Self::new(*both, *both),
            Some([short, long]) => Self::new(*short, *long),
            _ => Err(PrintError::MeasuredBarUnreadable { text: text.into() }),
        }
    }
}

/// The paper and the printer's error of scale.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PageSetup {
    /// The paper.
    pub paper: Paper,
    /// The bars of an earlier print, if they were measured: this print is corrected by them.
    pub measured_bar: Option<MeasuredBar>,
}

impl PageSetup {
    /// Width and height of the sheet as it is read.
    pub(super) fn size_mm(&self, orientation: Orientation) -> [f64; 2] {
        across_and_down(self.paper.sides_mm(), orientation)
    }

    /// Printed length of one millimetre, across and down the sheet as it is read.
    pub(super) fn printer_scale(&self, orientation: Orientation) -> [f64; 2] {
        let sides = self.measured_bar.map_or([1.0, 1.0], |bar| {
            [bar.short_side_mm / BAR_MM, bar.long_side_mm / BAR_MM]
        });
        across_and_down(sides, orientation)
    }
}

/// Assigns the paper's short and long side to the sheet's width and height.
fn across_and_down([short, long]: [f64; 2], orientation: Orientation) -> [f64; 2] {
    match orientation {
        Orientation::Portrait => [short, long],
        Orientation::Landscape => [long, short],
    }
}
