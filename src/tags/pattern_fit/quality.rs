//! Quality: which fits are good enough to be used.

use super::refine::PatternFit;
use crate::tags::sighting::DropReason;

/// Shortest edge of a tag that is measured, px: below, cells are narrower than the blur.
pub const SMALLEST_EDGE_PX: f64 = 14.0;

/// Weakest contrast, share of the range: below, noise and compression decide.
const WEAKEST_CONTRAST: f64 = 0.08;

/// Widest blur, cells: beyond, the inner cells run into one another.
const WIDEST_BLUR_CELLS: f64 = 0.75;

/// Largest residual, share of the contrast: a correct fit stays below a third of this, a wrong one
/// exceeds twice of it.
const LARGEST_RESIDUAL: f64 = 0.15;

/// Largest share of a tag that may be hidden; more leaves the corners to guesswork.
const LARGEST_HIDDEN_SHARE: f64 = 0.3;

/// Why a fit is not good enough, if it is not.
pub(in crate::tags) fn judge(fit: &PatternFit) -> Result<(), DropReason> {
    if fit.edge_px < SMALLEST_EDGE_PX {
        Err(DropReason::TooSmall)
    } else if fit.contrast < WEAKEST_CONTRAST {
        Err(DropReason::NotFound)
    } else if fit.hidden_share > LARGEST_HIDDEN_SHARE {
        Err(DropReason::PartlyHidden)
    } else if fit
        .look
        .blur_cells
        .iter()
        .any(|&blur| blur > WIDEST_BLUR_CELLS)
    {
        Err(DropReason::Blurred)
    } else if fit.residual_share > LARGEST_RESIDUAL {
        Err(DropReason::PartlyHidden)
    } else {
        Ok(())
    }
}
