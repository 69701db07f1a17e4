//! Why a live session cannot go on, or cannot take a frame.

use crate::camera::ProfileError;
use crate::functions::FunctionsError;
use crate::tags::TagsError;

/// Why a live session cannot begin, take a frame, or finish. An error of a frame leaves the session as it was.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// The camera profile does not suit pictures of this size.
    #[error(transparent)]
    Profile(#[from] ProfileError),
    /// The size of the pictures changed during the session.
    #[error(
        "the pictures of the session had {}×{} px, but this one has {}×{} px",
        from_px[0], from_px[1], to_px[0], to_px[1]
    )]
    SizeChanged {
        /// Width and height so far.
        from_px: [usize; 2],
        /// Width and height of the picture.
        to_px: [usize; 2],
    },
    /// The pixels are fewer or more than width × height.
    #[error("the picture of {width_px}×{height_px} px has {bytes} bytes of luma")]
    NotAPicture {
        /// Width as stated.
        width_px: usize,
        /// Height as stated.
        height_px: usize,
        /// Bytes that came.
        bytes: usize,
    },
    /// The code values of black and white changed during the session.
    #[error("the range of the pictures changed during the session")]
    RangeChanged,
    /// The time of a frame is not finite, or not after that of the frame before.
    #[error("the frame's time of {time_s} s is not after that of the frame before, {last_s} s")]
    NotLater {
        /// Time of the frame.
        time_s: f64,
        /// Time of the frame before.
        last_s: f64,
    },
    /// The search for tags failed.
    #[error(transparent)]
    Tags(#[from] TagsError),
    /// The function is not declared, or shares a surface.
    #[error(transparent)]
    Functions(#[from] FunctionsError),
    /// A station is not a stick position.
    #[error("{stick_pct} % is no stick position")]
    NoStation {
        /// As asked for.
        stick_pct: f64,
    },
    /// A hold was asked for while a surface moves, or before anything was learned.
    #[error("no hold was kept: {why}")]
    NoHoldNow {
        /// What prevents it, for the person.
        why: String,
    },
    /// There is no hold to take back.
    #[error("there is no hold to take back")]
    NothingToUndo,
    /// Neutral was set while a surface moves, or before anything was learned.
    #[error("neutral was not set: {why}")]
    NoNeutralNow {
        /// What prevents it, for the person.
        why: String,
    },
    /// There is nothing to measure yet.
    #[error("the session has no holds yet")]
    NothingHeld,
    /// The worker thread could not be started.
    #[error("the thread for the fits could not be started")]
    NoWorker(#[source] std::io::Error),
}

impl LiveError {
    /// What to do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Profile(error) => error.mend().to_owned(),
            Self::SizeChanged { .. } => {
                "set the camera back to the size it had, or begin a new session".to_owned()
            }
            Self::NotAPicture { .. } => {
                "send one byte a pixel, row by row without padding".to_owned()
            }
            Self::RangeChanged => "begin a new session".to_owned(),
            Self::NotLater { .. } => "send frames in the order of their capture times".to_owned(),
            Self::Tags(_) => "check that every tag has its own number".to_owned(),
            Self::Functions(_) => "choose one of the functions of the model file".to_owned(),
            Self::NoStation { .. } => "give a stick position from -100 to 100".to_owned(),
            Self::NoHoldNow { .. } | Self::NoNeutralNow { .. } => {
                "hold the stick still until the figures rest, then try again".to_owned()
            }
            Self::NothingToUndo => "hold a station first".to_owned(),
            Self::NothingHeld => {
                "hold the stick still at neutral and at one other station at least".to_owned()
            }
            Self::NoWorker(_) => "close other programs and try again".to_owned(),
        }
    }
}
