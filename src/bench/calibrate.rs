//! Calibrating a camera, with the same stages and files as `calibrate`.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::camera::calibration::{
    Board, CalibrateOptions, CalibrationError, Charuco, Chessboard, Verdict, calibrate_candidates,
    survey,
};
use crate::clip::{Clip, ClipOptions};
use crate::commands::CommandError;
use crate::commands::output::OutputFile;
use crate::progress::Progress;
use crate::report::calibration::{CalibrationReport, page};
use crate::vision::Dictionary;
use crate::warning::gather;

/// Stills of a board need no times.
const UNTIMED: ClipOptions = ClipOptions {
    fps: None,
    untimed: true,
};

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
        let mut warnings = Vec::new();
        let survey = gather(&mut warnings, |doubts| {
            survey(clip, board, progress, doubts)
        })?;
        let how = CalibrateOptions::default();
        let (calibration, chosen) = calibrate_candidates(&survey.candidates, survey.size_px, &how)?;
        if progress.is_cancelled() {
            return Err(CommandError::Cancelled);
        }
        let profile = calibration.profile(&self.name);
        page_file.finish(page(&CalibrationReport {
            name: &profile.name,
            clip: &self.clip.display().to_string(),
            board: &board.words(),
            layout: survey.layout,
            calibration: &calibration,
            verdict: &Verdict::of(&calibration),
            chosen: &chosen,
            no_view: &survey.no_view,
            warnings: &warnings,
        })?)?;
        profile_file.finish(profile.to_toml())?;
        Ok(())
    }
}
