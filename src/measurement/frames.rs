//! Deflection of every surface in every frame, against neutral.

use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::motion::{Motion, WeightedSum};
use crate::stations::Holds;

/// One surface in one frame: a row of `frames.csv`.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameRow {
    /// Position of the frame in the clip.
    pub frame: usize,
    /// Presentation time.
    pub time_s: f64,
    /// Name of the surface.
    pub surface: String,
    /// Deflection from neutral; nothing where it was not measured or neutral is not known.
    pub deflection_deg: Option<Measured>,
    /// Stick position, where known.
    pub stick_pct: Option<f64>,
}

/// All frames in time, within a frame the surfaces in the order of the model file.
///
/// Neutral is the mean over the neutral frames in which the surface was measured; its uncertainty
/// is part of every row's.
pub fn frame_rows(motion: &Motion, holds: &Holds) -> Vec<FrameRow> {
    let by_surface: Vec<Vec<Option<Measured>>> = (0..motion.surfaces.len())
        .map(|surface| deflections_deg(motion, holds, surface))
        .collect();
    let mut rows = Vec::with_capacity(motion.frames.len() * motion.surfaces.len());
    for (position, frame) in motion.frames.iter().enumerate() {
        for (about, deflections_deg) in motion.surfaces.iter().zip(&by_surface) {
            rows.push(FrameRow {
                frame: frame.index,
                time_s: frame.time_s,
                surface: about.name.clone(),
                deflection_deg: deflections_deg[position],
                stick_pct: holds.stick_pct.get(position).copied().flatten(),
            });
        }
    }
    rows
}

/// One surface in all frames.
fn deflections_deg(motion: &Motion, holds: &Holds, surface: usize) -> Vec<Option<Measured>> {
    let is_measured = |position: usize| {
        motion
            .frames
            .get(position)
            .and_then(|frame| frame.deflections.get(surface))
            .is_some_and(Option::is_some)
    };
    let neutral: Vec<usize> = holds
        .neutral_frames
        .iter()
        .copied()
        .filter(|&position| is_measured(position))
        .collect();
    if neutral.is_empty() {
        return vec![None; motion.frames.len()];
    }
    let share = 1.0 / neutral.len() as f64;
    let neutral: WeightedSum = neutral.iter().map(|&at| (at, surface, share)).collect();
    let deflections_rad = motion.deflections_from(surface, &neutral);
    let to_deg = deg_from_rad(1.0);
    deflections_rad
        .into_iter()
        .map(|deflection| deflection.map(|rad| rad.scaled(to_deg)))
        .collect()
}
