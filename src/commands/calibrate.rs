//! `calibrate`: a camera profile from a clip or stills of a printed board.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::calibration_job::{CalibrationJob, UNTIMED};
use super::output::{OutputFile, spare_inputs};
use super::terminal::{progress, say, say_json};
use super::values::{Grid, length_mm, name};
use super::{CommandError, Common, Outcome};
use crate::camera::calibration::{
    Board, CalibrateOptions, CalibrationError, Charuco, Chessboard, DistortionTerms,
};
use crate::clip::Clip;
use crate::names;
use crate::report::calibration::{CalibrationRecord, page, summary};
use crate::vision::Dictionary;

/// Options of `calibrate`.
#[derive(Debug, Args)]
pub struct Options {
    /// Clip of the board, or folder of stills
    clip: PathBuf,
    #[command(flatten)]
    board: BoardOptions,
    /// Name of the camera and its mode for reports
    #[arg(long, value_parser = name)]
    name: Option<String>,
    /// Lens distortion to estimate: auto, none, k1, radial (k1, k2), tangential (k1, k2, p1, p2) or
    /// all (and k3)
    #[arg(long, value_enum, default_value_t = Distortion::Auto, hide_possible_values = true)]
    distortion: Distortion,
    /// The camera profile to write
    #[arg(long)]
    out: PathBuf,
    /// Page that shows how good the profile is, and why
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
}

/// Distortion terms, as named on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Distortion {
    /// As many as the views support
    Auto,
    /// None: a pinhole
    None,
    /// k1 alone
    K1,
    /// k1 and k2
    Radial,
    /// k1, k2, p1 and p2
    Tangential,
    /// k1, k2, p1, p2 and k3
    All,
}

impl Distortion {
    fn terms(self) -> Option<DistortionTerms> {
        match self {
            Self::Auto => None,
            Self::None => Some(DistortionTerms::None),
            Self::K1 => Some(DistortionTerms::FirstRadial),
            Self::Radial => Some(DistortionTerms::Radial),
            Self::Tangential => Some(DistortionTerms::RadialTangential),
            Self::All => Some(DistortionTerms::All),
        }
    }
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
    /// Edge of a printed square
    #[arg(long, value_parser = length_mm)]
    pub square_mm: f64,
    /// Edge of a printed ChArUco marker
    #[arg(long, value_parser = length_mm)]
    pub marker_mm: Option<f64>,
    /// Set of markers on the ChArUco board, such as DICT_5X5_100
    #[arg(long)]
    pub dictionary: Option<String>,
}

impl BoardOptions {
    /// The board, if it is possible.
    fn board(&self) -> Result<Board, CalibrationError> {
        let square_mm = self.square_mm;
        let board = match (self.chessboard, self.charuco) {
            (Some(Grid { columns, rows }), _) => Board::Chessboard(Chessboard {
                columns,
                rows,
                square_mm,
            }),
            (None, grid) => {
                // Clap has made sure that there is one, and that it comes with its markers.
                let Grid { columns, rows } = grid.unwrap_or(Grid {
                    columns: 0,
                    rows: 0,
                });
                Board::Charuco(Charuco {
                    columns,
                    rows,
                    square_mm,
                    marker_mm: self.marker_mm.unwrap_or_default(),
                    dictionary: dictionary(self.dictionary.as_deref().unwrap_or_default())?,
                })
            }
        };
        board.check()?;
        Ok(board)
    }
}

fn dictionary(name: &str) -> Result<Dictionary, CalibrationError> {
    Dictionary::named(name).ok_or_else(|| CalibrationError::UnknownDictionary { name: name.into() })
}

/// Calibrates, writes the profile and reports how good it is.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    // Errors in the named files are found before the long work.
    let board = options.board.board()?;
    for output in [Some(&options.out), options.report.as_ref()]
        .into_iter()
        .flatten()
    {
        spare_inputs(output, &[&options.clip])?;
    }
    let profile_file = OutputFile::create(&options.out, common.force)?;
    let page_file = options
        .report
        .as_ref()
        .map(|path| OutputFile::create(path, common.force))
        .transpose()?;
    let clip = Clip::open(&options.clip, &UNTIMED)?;

    let name = options.name.clone();
    let name = name.unwrap_or_else(|| names::of_file(&options.out));
    let job = CalibrationJob {
        clip: &options.clip,
        board,
        how: CalibrateOptions {
            terms: options.distortion.terms(),
            ..CalibrateOptions::default()
        },
        name: &name,
    };
    let calibrated = job.run(clip, progress(common).as_ref())?;
    let report = calibrated.report();
    if let Some(file) = page_file {
        file.finish(page(&report)?)?;
    }
    let path = profile_file.finish(calibrated.profile.to_toml())?;
    say(common, summary(&report));
    say(common, format_args!("\nProfile: {}", path.display()));
    say_json(common, &CalibrationRecord::of(&report));
    Ok(Outcome::Done)
}
