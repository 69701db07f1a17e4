//! Diagnosis of pictures without the expected board.

use std::collections::BTreeSet;

use super::board::{Board, Charuco};
use super::charuco::fitting_columns;
use super::error::Seen;
use super::sighting::NoView;
use crate::clip::Frame;
use crate::vision::{
    Dictionary, FoundMarker, MarkerFinder, SearchEffort, VisionError, largest_chessboard,
};

/// Markers of another dictionary that are no coincidence: squares that are none decode as some.
const TELLING_MARKERS: usize = 4;

/// Finds out what the pictures show instead of the board.
pub(in crate::camera) fn diagnose(
    board: &Board,
    no_view: &[(String, NoView)],
    pictures: &[(String, Frame)],
) -> Result<Seen, VisionError> {
    if let Some((picture, measured)) = nearly_a_view(no_view) {
        return Ok(Seen::FewCrossings { picture, measured });
    }
    match board {
        Board::Chessboard(_) => chessboard(pictures),
        Board::Charuco(charuco) => markers(charuco, no_view, pictures),
    }
}

/// The picture in which the board was found, though too little of it could be measured.
fn nearly_a_view(no_view: &[(String, NoView)]) -> Option<(String, usize)> {
    let few = no_view.iter().filter_map(|(name, reason)| match reason {
        NoView::FewCrossings { measured, .. } => Some((name.clone(), *measured)),
        _ => None,
    });
    few.max_by_key(|(_, measured)| *measured)
}

fn chessboard(pictures: &[(String, Frame)]) -> Result<Seen, VisionError> {
    for (name, frame) in pictures {
        if let Some((columns, rows)) = largest_chessboard(&frame.image)? {
            return Ok(Seen::OtherChessboard {
                picture: name.clone(),
                columns,
                rows,
            });
        }
    }
    Ok(Seen::NoPattern)
}

fn markers(
    board: &Charuco,
    no_view: &[(String, NoView)],
    pictures: &[(String, Frame)],
) -> Result<Seen, VisionError> {
    let mut most: (&str, &[FoundMarker]) = ("", &[]);
    for (name, reason) in no_view {
        let markers = match reason {
            NoView::MarkersElsewhere(markers) | NoView::FewMarkers(markers) => markers,
            NoView::NoChessboard | NoView::FewCrossings { .. } => continue,
        };
        if let Some(columns) = fitting_columns(board, markers) {
            return Ok(Seen::OtherWidth {
                picture: name.clone(),
                columns,
            });
        }
        if markers.len() > most.1.len() {
            most = (name, markers);
        }
    }
    let (picture, markers) = most;
    if let Some(other) = other_dictionary(pictures, ids(markers).len())? {
        return Ok(other);
    }
    if markers.is_empty() {
        return Ok(Seen::NoPattern);
    }
    Ok(Seen::Markers {
        picture: picture.to_owned(),
        ids: ids(markers).into_iter().collect(),
    })
}

/// A dictionary that more markers in a picture belong to than to the board's own.
fn other_dictionary(
    pictures: &[(String, Frame)],
    of_board: usize,
) -> Result<Option<Seen>, VisionError> {
    let mut most = of_board.max(TELLING_MARKERS);
    let mut best = None;
    for dictionary in Dictionary::names()
        .into_iter()
        .filter_map(Dictionary::named)
    {
        let mut finder = MarkerFinder::new(dictionary, SearchEffort::Thorough)?;
        for (name, frame) in pictures {
            let count = ids(&finder.find(&frame.image)?.markers).len();
            if count > most {
                most = count;
                best = Some(Seen::OtherDictionary {
                    picture: name.clone(),
                    dictionary: dictionary.name(),
                    count,
                });
            }
        }
    }
    Ok(best)
}

/// A sharp marker may be found twice over, by both edges of its border.
fn ids(markers: &[FoundMarker]) -> BTreeSet<u32> {
    markers.iter().map(|marker| marker.id).collect()
}
