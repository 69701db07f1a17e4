//! `calibrate`: a camera profile from a clip or stills of a printed board.

use std::path::PathBuf;

use clap::Args;

use super::output::OutputFile;
use super::values::{Grid, length_mm};
use super::{CommandError, Common, Outcome};

/// What `calibrate` is asked for.
#[derive(Debug, Args)]
pub struct Options {
    /// Clip, or folder of stills, of the board
    clip: PathBuf,
    #[command(flatten)]
    board: BoardOptions,
    /// Name of the camera and its mode, as it shall stand in reports
    #[arg(long)]
    name: Option<String>,
    /// The camera profile to write
    #[arg(long)]
    out: PathBuf,
}

/// The printed board.
#[derive(Debug, Args)]
pub struct BoardOptions {
    /// Chessboard: inner corners, columns x rows
    #[arg(
        long,
        value_name = "COLSxROWS",
        conflicts_with = "charuco",
        required_unless_present = "charuco"
    )]
    pub chessboard: Option<Grid>,
    /// ChArUco board: squares, columns x rows
    #[arg(long, value_name = "COLSxROWS", requires_all = ["dictionary", "marker_mm"])]
    pub charuco: Option<Grid>,
    /// Edge of a square as printed
    #[arg(long, value_parser = length_mm)]
    pub square_mm: f64,
    /// Edge of a ChArUco marker as printed
    #[arg(long, value_parser = length_mm)]
    pub marker_mm: Option<f64>,
    /// Dictionary of the ChArUco markers, such as DICT_5X5_100
    #[arg(long)]
    pub dictionary: Option<String>,
}

/// Calibrates, writes the profile and tells how good it is.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    OutputFile::create(&options.out, common.force)?;
    let command = "calibrate";
    Err(CommandError::NotBuilt { command })
}
