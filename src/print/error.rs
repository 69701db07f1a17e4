//! Errors in an order for a print.

use crate::vision::{Dictionary, VisionError};

/// Why something cannot be printed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// Nothing was ordered.
    #[error("no tag was named")]
    NoTags,
    /// A tag order that reads neither `ID`, `ID:EDGE_MM` nor `FIRST-LAST`.
    #[error("\"{text}\" is not a tag")]
    TagUnreadable {
        /// As it was given.
        text: String,
    },
    /// An id that the family does not hold.
    #[error("tag {id} does not exist: the family 36h11 ends at {last}")]
    IdOutsideFamily {
        /// The id that was ordered.
        id: u32,
        /// The family's last id.
        last: u32,
    },
    /// A tag whose cells would be too small to print and film.
    #[error("a tag of {edge_mm} mm cannot be printed well: the smallest is {smallest_mm} mm")]
    TagTooSmall {
        /// Edge that was ordered.
        edge_mm: f64,
        /// Smallest edge.
        smallest_mm: f64,
    },
    /// A tag, or its bracket, that does not fit on the paper.
    #[error("a tag of {edge_mm} mm does not fit on {paper}: there is room for {largest_mm} mm")]
    TagTooLarge {
        /// Edge that was ordered.
        edge_mm: f64,
        /// Largest edge that fits, rounded down to whole millimetres.
        largest_mm: f64,
        /// Name of the paper.
        paper: &'static str,
    },
    /// A lean that cannot be folded.
    #[error("a bracket cannot lean by {lean_deg}°: 0° to {largest_deg}° can be folded")]
    LeanOutOfRange {
        /// Lean that was ordered.
        lean_deg: f64,
        /// Largest lean.
        largest_deg: f64,
    },
    /// The model file uses no station cards.
    #[error("the model file has no station cards")]
    NoStations,
    /// A station without a card in the model file.
    #[error("the model file has no card for {stick_pct} % stick")]
    StationUnknown {
        /// Stick position that was ordered.
        stick_pct: f64,
    },
    /// A number of cards that does not divide a sheet.
    #[error("{count} cards do not divide a sheet evenly")]
    CardsPerSheet {
        /// Number that was ordered.
        count: u32,
    },
    /// A board with too few squares for a calibration.
    #[error("a board of {columns} × {rows} squares is too small")]
    BoardTooFewSquares {
        /// Squares across.
        columns: usize,
        /// Squares down.
        rows: usize,
    },
    /// Squares that are no length, or too small to be found in a picture.
    #[error("squares of {square_mm} mm cannot be printed well: the smallest is {smallest_mm} mm")]
    SquareTooSmall {
        /// Edge that was ordered.
        square_mm: f64,
        /// Smallest edge.
        smallest_mm: f64,
    },
    /// A board that does not fit on the paper.
    #[error(
        "a board of {width_mm} × {height_mm} mm does not fit on {paper}: \
         squares of {largest_square_mm} mm would"
    )]
    BoardTooLarge {
        /// Width of all squares.
        width_mm: f64,
        /// Height of all squares.
        height_mm: f64,
        /// Largest edge of a square that fits, rounded down to tenths of a millimetre.
        largest_square_mm: f64,
        /// Name of the paper.
        paper: &'static str,
    },
    /// Markers that leave too little white, or are no length.
    #[error("markers of {marker_mm} mm do not suit squares of {square_mm} mm")]
    MarkerUnsuitable {
        /// Edge of the markers.
        marker_mm: f64,
        /// Edge of the squares.
        square_mm: f64,
        /// Smallest edge that is printed.
        smallest_mm: f64,
        /// Largest edge that leaves enough white.
        largest_mm: f64,
    },
    /// A dictionary of another name than OpenCV's.
    #[error("there is no set of markers called {name} (--dictionary)")]
    UnknownDictionary {
        /// As it was given.
        name: String,
    },
    /// A dictionary with fewer markers than the board has white squares.
    #[error("the board needs {needed} markers, and {dictionary} has only {held}")]
    DictionaryTooSmall {
        /// OpenCV's name.
        dictionary: &'static str,
        /// White squares of the board.
        needed: usize,
        /// Markers of the dictionary.
        held: usize,
    },
    /// A measured bar that no printer makes of 100 mm.
    #[error("a bar of 100 mm cannot measure {measured_mm} mm")]
    MeasuredBarImplausible {
        /// As it was given.
        measured_mm: f64,
    },
    /// A measured bar that is neither one number nor two.
    #[error("\"{text}\" is not a length of the bar")]
    MeasuredBarUnreadable {
        /// As it was given.
        text: String,
    },
    /// OpenCV could not draw a marker.
    #[error(transparent)]
    Vision(#[from] VisionError),
}

impl PrintError {
    /// What the user can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::NoTags => "name the tags to print, for example: print tags 10 11 0:30".into(),
            Self::TagUnreadable { .. } => {
                "write ID, ID:EDGE_MM or FIRST-LAST, for example 10, 0:30 or 100-140".into()
            }
            Self::IdOutsideFamily { last, .. } => format!("choose an id from 0 to {last}"),
            Self::TagTooSmall { smallest_mm, .. } => {
                format!("give the tag at least {smallest_mm} mm; it may overhang the surface")
            }
            Self::TagTooLarge { largest_mm, .. } => format!(
                "choose {largest_mm} mm or less; a tag flat on the paper has more room than one on a bracket"
            ),
            Self::LeanOutOfRange { largest_deg, .. } => {
                format!("choose --lean-deg from 0 to {largest_deg}; 30 suits most surfaces")
            }
            Self::NoStations => {
                "write from = \"cards\" under [stations], or film the holds in the declared order \
                 without cards"
                    .into()
            }
            Self::StationUnknown { .. } => {
                "choose stations that have a card in the model file, or add a card under [stations]"
                    .into()
            }
            Self::CardsPerSheet { .. } => "choose --per-sheet 1, 2, 4 or 8".into(),
            Self::BoardTooFewSquares { .. } => {
                "use at least 4 × 4 squares (3 × 3 inner corners); 9 × 6 suits most cameras".into()
            }
            Self::SquareTooSmall { smallest_mm, .. } => {
                format!("give --square-mm {smallest_mm} or more")
            }
            Self::BoardTooLarge {
                largest_square_mm, ..
            } => {
                format!("give --square-mm {largest_square_mm} or less, or fewer squares")
            }
            Self::MarkerUnsuitable {
                smallest_mm,
                largest_mm,
                ..
            } => {
                format!("give --marker-mm from {smallest_mm} to {largest_mm}")
            }
            Self::UnknownDictionary { .. } => {
                format!("choose one of {}", Dictionary::names().join(", "))
            }
            Self::DictionaryTooSmall { .. } => {
                "choose a --dictionary with more markers (its name ends in their number), or fewer \
                 squares"
                    .into()
            }
            Self::MeasuredBarImplausible { .. } => {
                "print at 100 % (\"actual size\"), measure the black bars end to end, and give \
                 millimetres"
                    .into()
            }
            Self::MeasuredBarUnreadable { .. } => {
                "give one length for both bars, or two as SHORT,LONG, for example 98.7,99.1".into()
            }
            Self::Vision(_) => "please report this error with the command you ran".into(),
        }
    }
}
