//! Work that takes longer than a picture may: done on any thread, settled afterwards.

use super::super::calibration::{
    Board, BoardView, CalibrateOptions, Calibration, CalibrationError, NoView, Seen, Verdict,
    calibrate, diagnose,
};
use super::check::{CHECK_VIEWS, Check};
use crate::clip::{Frame, GreyImage};
use crate::vision::VisionError;

/// Work to be done.
pub struct Work(pub(super) Job);

pub(super) enum Job {
    Fit {
        round: u64,
        fitted: Vec<BoardView>,
        left_out: Vec<BoardView>,
        size_px: (usize, usize),
    },
    Diagnosis {
        board: Board,
        no_view: NoView,
        picture: GreyImage,
    },
}

/// Work that was done.
pub struct Done(pub(super) Worked);

pub(super) enum Worked {
    Fit {
        round: u64,
        fit: Result<Box<Fit>, CalibrationError>,
    },
    Diagnosis(Result<Seen, VisionError>),
}

/// A calibration with its verdict and its check.
pub(super) struct Fit {
    pub calibration: Calibration,
    pub verdict: Verdict,
    pub check: Option<Check>,
}

impl Work {
    /// Does the work: up to a second.
    pub fn run(self) -> Done {
        Done(match self.0 {
            Job::Fit {
                round,
                fitted,
                left_out,
                size_px,
            } => Worked::Fit {
                round,
                fit: fit(&fitted, &left_out, size_px).map(Box::new),
            },
            Job::Diagnosis {
                board,
                no_view,
                picture,
            } => {
                let frame = Frame {
                    index: 0,
                    time_s: 0.0,
                    image: picture,
                };
                let name = || "the picture".to_owned();
                let seen = diagnose(&board, &[(name(), no_view)], &[(name(), frame)]);
                Worked::Diagnosis(seen)
            }
        })
    }
}

fn fit(
    fitted: &[BoardView],
    left_out: &[BoardView],
    size_px: (usize, usize),
) -> Result<Fit, CalibrationError> {
    let calibration = calibrate(fitted, size_px, &CalibrateOptions::default())?;
    let check = match left_out.len() >= CHECK_VIEWS {
        true => Check::of(&calibration, fitted, left_out),
        false => None,
    };
    Ok(Fit {
        verdict: Verdict::of(&calibration),
        calibration,
        check,
    })
}
