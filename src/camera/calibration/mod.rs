//! Calibration: from pictures of a printed board to a camera profile with its uncertainty.

mod board;
mod charuco;
mod crossing;
mod homography;
mod sighting;
mod view;

pub use board::{Board, Charuco, CharucoLayout, Chessboard, MarkerPlace};
pub use crossing::{Crossing, CrossingFault, PredictedCrossing, measure_crossing};
pub use sighting::{BoardFinder, BoardSighting, NoView};
pub use view::{BoardPoint, BoardView};
