//! Holds: all holds of a clip, in time.

use super::hold::Hold;
use super::stick_log::timing::LogTiming;
use super::sweeps::sweep::Sweeps;

/// All holds in time, and the frames that define neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct Holds {
    /// In time.
    pub holds: Vec<Hold>,
    /// Positions in `Motion::frames` of all settled frames at stick 0, or of the declared span.
    pub neutral_frames: Vec<usize>,
    /// The declared span in which the surfaces were held level, and its frames in `Motion::frames`.
    pub level_frames: Option<([f64; 2], Vec<usize>)>,
    /// Stick position of every frame of `Motion::frames`, where known.
    pub stick_pct: Vec<Option<f64>>,
    /// Stations that slow sweeps pass.
    pub sweeps: Sweeps,
    /// Alignment of the stick log in the clip's time, if there is one.
    pub log: Option<LogTiming>,
}
