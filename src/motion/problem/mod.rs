//! Problem: the observations, the unknowns (`blocks` lists them), and how each sighting follows them.

pub(super) mod blocks;
pub(super) mod bow;
pub(super) mod joint_fit;
pub(super) mod landmark;
pub(super) mod landmark_prediction;
pub(super) mod layout;
pub(super) mod observation;
pub(super) mod parameters;
pub(super) mod picture_motion;
pub(super) mod prediction;
pub(super) mod readout;
pub(super) mod residuals;
pub(super) mod rocking;
pub(super) mod steadier;
#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
