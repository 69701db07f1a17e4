//! Guidance: a calibration while the camera runs, from the first picture to a checked profile.
//!
//! ```text
//! picture ─► Guidance::look ─► Look      the board seen or why not, the view kept or why not
//!            Guidance::work ─► Work::run ─► Guidance::settle        the fit, on any thread
//!            Guidance::standing ─► Standing          how good, what is missing, what to show next
//! ```
//!
//! A view is kept when the board is held still, sharp, and where no kept view shows it. Each kept view
//! belongs to the fit or to the check. The fit is that of [`super::calibration::calibrate`] with its
//! defaults: the views of the fit, found in the kept pictures in the order of their names, give the same
//! profile to the bit. The views of the check are never fitted. They are taken last, and show whether the
//! stated uncertainty holds for pictures that the fit has not seen.
//!
//! The pose that is asked for next is the one of twenty ([`Ask`]) that lowers the variance of a
//! 30° deflection most. The idea is that of S. Peng and P. Sturm, "Calibration Wizard: A Guidance System
//! for Camera Calibration Based on Modelling Geometric and Corner Uncertainty", ICCV 2019 (from memory).
//!
//! The module keeps no pictures, opens no files and starts no threads. Code values are used as they come:
//! neither finding a board nor measuring its crossings needs to know what black and white are.

mod asking;
mod check;
mod coverage;
mod knowledge;
mod missing;
mod outlines;
mod placing;
mod reason;
mod search;
mod session;
mod standing;
mod stillness;
mod work;

pub use check::{CHECK_VIEWS, Check};
pub use coverage::Coverage;
pub use reason::{NotKept, NotSeen};
pub use session::{Guidance, GuidanceError, Kept, Look, Outcome, Part};
pub use standing::{Ask, Phase, Standing};
pub use work::{Done, Work};
