//! Errors of a calibration.

use super::view::FEWEST_CROSSINGS;
use crate::clip::ClipError;
use crate::vision::{Dictionary, VisionError};

/// An error of a calibration.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CalibrationError {
    /// The clip cannot be read.
    #[error(transparent)]
    Clip(#[from] ClipError),
    /// The vision library failed.
    #[error(transparent)]
    Vision(#[from] VisionError),
    /// An impossible description of the board.
    #[error("{what}")]
    NoSuchBoard {
        /// The fault.
        what: String,
    },
    /// A dictionary of another name than OpenCV's.
    #[error("there is no set of markers called {name:?} (--dictionary)")]
    UnknownDictionary {
        /// The name given.
        name: String,
    },
    /// No picture shows the board.
    #[error("no {board} in any of {pictures} pictures: {}", seen.text())]
    NoBoard {
        /// The expected board.
        board: String,
        /// Number of pictures searched.
        pictures: usize,
        /// What the pictures show instead.
        seen: Seen,
    },
    /// Too few views of the board are usable.
    #[error("only {usable} usable views of the board, at least {needed} are needed")]
    FewViews {
        /// Views with enough points.
        usable: usize,
        /// Views needed.
        needed: usize,
    },
    /// The board was held in too few different places.
    #[error(
        "the {views} views show the board in only {places} different places, at least {needed} are \
         needed"
    )]
    FewPlaces {
        /// Views with enough points.
        views: usize,
        /// Different places among them.
        places: usize,
        /// Places needed.
        needed: usize,
    },
    /// All views are square-on.
    #[error(
        "all {views} views show the board square-on (the most tilted by {largest_tilt_deg:.1}°), \
         so they do not determine its distance and the focal length"
    )]
    AllSquareOn {
        /// Views used.
        views: usize,
        /// Tilt of the most tilted view.
        largest_tilt_deg: f64,
    },
    /// The requested terms fold back inside the picture.
    #[error(
        "the lens model with {terms} folds back {at_px:.0} px from the centre of the picture, whose \
         farthest corner is {corner_px:.0} px away: the views do not fix these terms"
    )]
    Folds {
        /// Requested terms.
        terms: &'static str,
        /// Distance from the principal point at which the distorted radius stops growing.
        at_px: f64,
        /// Distance of the farthest corner.
        corner_px: f64,
    },
    /// The views do not determine the camera.
    #[error("the {views} views do not determine the camera: they are too similar")]
    NotFixed {
        /// Views used.
        views: usize,
    },
}

/// What the pictures show instead of the expected board.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Seen {
    /// Nothing that looks like a board.
    NoPattern,
    /// A chessboard of another size.
    OtherChessboard {
        /// Picture that shows it best.
        picture: String,
        /// Inner corners in a row.
        columns: usize,
        /// Inner corners in a column.
        rows: usize,
    },
    /// Too few markers, or in no order.
    Markers {
        /// Picture that shows most.
        picture: String,
        /// Their ids.
        ids: Vec<u32>,
    },
    /// The markers are laid out as on a board of another width.
    OtherWidth {
        /// Picture that shows it.
        picture: String,
        /// Squares in a row.
        columns: usize,
    },
    /// Markers of another dictionary.
    OtherDictionary {
        /// Picture that shows most.
        picture: String,
        /// OpenCV's name of the dictionary.
        dictionary: &'static str,
        /// How many.
        count: usize,
    },
    /// The board is there, but its crossings cannot be measured.
    FewCrossings {
        /// Picture in which most could be measured.
        picture: String,
        /// How many.
        measured: usize,
    },
}

impl Seen {
    /// The finding.
    pub fn text(&self) -> String {
        match self {
            Self::NoPattern => "nothing in them looks like a board".into(),
            Self::OtherChessboard {
                picture,
                columns,
                rows,
            } => format!("{picture} shows a chessboard of {columns}x{rows} inner corners"),
            Self::Markers { picture, ids } => format!(
                "{picture} shows most of its markers, {}: ids {ids:?}",
                ids.len()
            ),
            Self::OtherWidth { picture, columns } => {
                format!(
                    "the markers in {picture} are laid out as on a board that is {columns} squares wide"
                )
            }
            Self::OtherDictionary {
                picture,
                dictionary,
                count,
            } => format!("{picture} shows {count} markers of the set {dictionary}"),
            Self::FewCrossings { picture, measured } => format!(
                "{picture} shows it best, but only {measured} of its corners are sharp and large \
                 enough, and {FEWEST_CROSSINGS} are needed"
            ),
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::NoPattern => {
                "check that the board is whole in the picture with its white margin, \
                 flat, in focus and evenly lit, and that it is the kind of board in the options"
                    .into()
            }
            Self::OtherChessboard { columns, rows, .. } => format!(
                "if that is the board, use --chessboard {columns}x{rows} (inner corners: one fewer \
                 than squares)"
            ),
            Self::Markers { .. } => "film the whole board, nearer and in focus, and \
                 check --charuco and --dictionary"
                .into(),
            Self::OtherWidth { columns, .. } => {
                format!("describe the board as printed: --charuco {columns}xROWS")
            }
            Self::OtherDictionary { dictionary, .. } => {
                format!("if that is the board, use --dictionary {dictionary}")
            }
            Self::FewCrossings { .. } => "come nearer until the squares are at least 20 px wide, \
                 hold the board still and in focus"
                .into(),
        }
    }
}

impl CalibrationError {
    /// What to do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Clip(error) => error.mend().into(),
            Self::Vision(_) => "try other pictures; if it fails again, report it".into(),
            Self::NoSuchBoard { .. } => "describe the board as it is printed".into(),
            Self::UnknownDictionary { .. } => {
                format!("write one of {}", Dictionary::names().join(", "))
            }
            Self::NoBoard { seen, .. } => seen.mend(),
            Self::FewViews { .. } => format!(
                "film the board from at least ten directions, sharp and well lit, with at least \
                 {FEWEST_CROSSINGS} of its crossings in the picture each time"
            ),
            Self::FewPlaces { .. } => "hold the board still for a second in each of ten to twenty \
                 places: tilted to all sides, near and far, and at every edge of the picture"
                .into(),
            Self::AllSquareOn { .. } => "tilt the board by 20° to 45° to the left, to the right, \
                 up and down, and take at least one view of each"
                .into(),
            Self::Folds { .. } => {
                "leave out --distortion, or name fewer terms; to estimate these, \
                 bring the board to every edge and corner of the picture"
                    .into()
            }
            Self::NotFixed { .. } => "take views that differ: tilt the board in all directions, \
                 bring it to every edge of the picture, near and far"
                .into(),
        }
    }
}
