//! Calibrating a camera, with the same stages and files as `calibrate`.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::camera::calibration::{Board, CalibrateOptions, CalibrationError, Charuco, Chessboard};
use crate::clip::Clip;
use crate::commands::CommandError;
use crate::commands::calibration_job::{CalibrationJob, UNTIMED};
use crate::commands::output::OutputFile;
use crate::progress::Progress;
use crate::report::calibration::page;
use crate::vision::Dictionary;

/// A camera to calibrate. All names are inside the folder that is served.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Order {
    /// The clip of the board, or a folder of stills.
    pub clip: PathBuf,
    /// The board.
    pub board: BoardOrder,
    /// Name of the camera and its mode.
    pub name: String,
    /// The camera profile to write; the page of the calibration has the same name.
    pub out: PathBuf,
}

/// A printed board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardOrder {
    /// Inner corners of a chessboard, squares of a ChArUco board, across.
    pub columns: usize,
    /// The same, down.
    pub rows: usize,
    /// Edge of a square as printed.
    pub square_mm: f64,
    /// Markers of a ChArUco board.
    pub markers: Option<Markers>,
}

/// Markers of a ChArUco board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Markers {
    /// Edge as printed.
    pub marker_mm: f64,
    /// Name of their dictionary.
    pub dictionary: String,
}

impl BoardOrder {
    /// The board, if there can be such a one.
    ///
    /// # Errors
    /// An unknown dictionary, or sizes that no board has.
    pub fn board(&self) -> Result<Board, CalibrationError> {
        let (columns, rows, square_mm) = (self.columns, self.rows, self.square_mm);
        let board = match &self.markers {
            None => Board::Chessboard(Chessboard {
                columns,
                rows,
                square_mm,
            }),
            Some(Markers {
                marker_mm,
                dictionary: name,
            }) => Board::Charuco(Charuco {
                columns,
                rows,
                square_mm,
                marker_mm: *marker_mm,
                dictionary: Dictionary::named(name)
                    .ok_or_else(|| CalibrationError::UnknownDictionary { name: name.clone() })?,
            }),
        };
        board.check()?;
        Ok(board)
    }
}

impl Order {
    /// The page of the calibration, beside the profile.
    pub fn page(profile: &Path) -> PathBuf {
        profile.with_extension("html")
    }

    /// Calibrates, and writes the profile and its page.
    ///
    /// # Errors
    /// What `calibrate` would say.
    pub fn run(&self, root: &Path, progress: &dyn Progress) -> Result<(), CommandError> {
        let board = self.board.board()?;
        let profile_file = OutputFile::create(&root.join(&self.out), false)?;
        let page_file = OutputFile::create(&root.join(Self::page(&self.out)), true)?;
        let clip = Clip::open(&root.join(&self.clip), &UNTIMED)?;
        let job = CalibrationJob {
            clip: &self.clip,
            board,
            how: CalibrateOptions::default(),
            name: &self.name,
        };
        let calibrated = job.run(clip, progress)?;
        page_file.finish(page(&calibrated.report())?)?;
        profile_file.finish(calibrated.profile.to_toml())?;
        Ok(())
    }
}
