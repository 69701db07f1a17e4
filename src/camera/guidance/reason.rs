//! Why a picture does not show the board, and why a view is not kept.

use std::collections::BTreeSet;

use super::super::calibration::{Board, CrossingFault, NoView, Seen};
use crate::vision::FoundMarker;

/// Why a picture does not show the board.
#[derive(Debug, Clone, PartialEq)]
pub struct NotSeen {
    /// What the search found.
    pub no_view: NoView,
    /// What the picture shows instead, once that is known.
    pub seen: Option<Seen>,
}

impl NotSeen {
    /// The reason, and what to do.
    pub fn words(&self, board: &Board) -> String {
        let instead = self.seen.as_ref().and_then(|seen| instead(seen, board));
        instead.unwrap_or_else(|| match &self.no_view {
            NoView::NoChessboard => "No board in the picture. Show all of it with its white margin, flat and in \
                                     even light."
                .into(),
            NoView::FewMarkers(markers) => match count(markers) {
                0 => "No board in the picture. Bring it in, flat and in even light.".into(),
                count => format!(
                    "Only {count} of the board’s markers are readable. Bring it nearer and hold it still."
                ),
            },
            NoView::MarkersElsewhere(_) => {
                "The markers are not where this board has them. Check the size of the board.".into()
            }
            NoView::FewCrossings { faults, .. } => {
                let most = faults.iter().max_by_key(|(_, count)| **count);
                few_crossings(most.map(|(fault, _)| *fault)).into()
            }
        })
    }
}

fn count(markers: &[FoundMarker]) -> usize {
    let ids: BTreeSet<u32> = markers.iter().map(|marker| marker.id).collect();
    ids.len()
}

fn few_crossings(most: Option<CrossingFault>) -> &'static str {
    match most {
        Some(CrossingFault::OutsidePicture) => {
            "Most of the board is outside the picture. Move it in."
        }
        Some(CrossingFault::TooSmall) => "The board is too small in the picture. Bring it nearer.",
        Some(CrossingFault::TooFaint) => "Black and white hardly differ. Add light, without glare.",
        Some(CrossingFault::Blurred) => {
            "The board is blurred. Hold it still, and let the camera focus."
        }
        Some(CrossingFault::NotACrossing) | None => {
            "The squares are spoilt by glare, a shadow or a finger. Turn the board a little."
        }
    }
}

/// What the picture shows in place of the board, where that is a board of another kind.
fn instead(seen: &Seen, board: &Board) -> Option<String> {
    let (columns, rows) = board.crossings();
    match seen {
        Seen::OtherChessboard {
            columns: seen_columns,
            rows: seen_rows,
            ..
        } => Some(format!(
            "This board has {seen_columns}×{seen_rows} crossings, but you entered {columns}×{rows}."
        )),
        Seen::OtherWidth { columns: seen, .. } => Some(format!(
            "This board is {seen} squares wide, but you entered {}.",
            columns + 1
        )),
        Seen::OtherDictionary { dictionary, .. } => {
            Some(format!("This board has markers of the set {dictionary}."))
        }
        Seen::NoPattern | Seen::Markers { .. } | Seen::FewCrossings { .. } => None,
    }
}

/// Why a view of the board is not kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotKept {
    /// The board moves.
    Moving,
    /// It does not rest long enough yet.
    Resting,
    /// It is less sharp than the kept views.
    Blurred,
    /// A kept view shows it in the same place.
    Alike,
    /// Its squares are laid out unlike those of the kept views.
    OtherLayout,
    /// It adds little to what the kept views say already.
    HelpsLittle,
    /// It was taken back.
    TakenBack,
    /// The views of the check are there, and their result is being computed.
    Checking,
    /// The profile is done.
    Done,
}

impl NotKept {
    /// The reason, and what to do.
    pub fn words(&self) -> &'static str {
        match self {
            Self::Moving => "Hold the board still.",
            Self::Resting => "Keep it there.",
            Self::Blurred => {
                "Not kept: the picture is less sharp than the others. Let the camera focus, or add light."
            }
            Self::Alike => "Kept already. Move the board to the outline.",
            Self::OtherLayout => "Not kept: this is another board than before.",
            Self::HelpsLittle => {
                "Not kept: this place adds little to the views that are there. Follow the outline."
            }
            Self::TakenBack => "Taken back. Move the board to the outline.",
            Self::Checking => "Checking the profile.",
            Self::Done => "Done: no more views are needed.",
        }
    }
}
