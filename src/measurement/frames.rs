//! Deflection of every surface in every frame, against neutral.

use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::motion::Motion;
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
    let neutral: Vec<Vec<usize>> = (0..motion.surfaces.len())
        .map(|surface| neutral_frames(motion, holds, surface))
        .collect();
    let mut rows = Vec::with_capacity(motion.frames.len() * motion.surfaces.len());
    for (position, frame) in motion.frames.iter().enumerate() {
        for (surface, about) in motion.surfaces.iter().enumerate() {
            rows.push(FrameRow {
                frame: frame.index,
                time_s: frame.time_s,
                surface: about.name.clone(),
                deflection_deg: deflection_deg(motion, position, surface, &neutral[surface]),
                stick_pct: holds.stick_pct.get(position).copied().flatten(),
            });
        }
    }
    rows
}

fn neutral_frames(motion: &Motion, holds: &Holds, surface: usize) -> Vec<usize> {
    holds
        .neutral_frames
        .iter()
        .copied()
        .filter(|&position| is_measured(motion, position, surface))
        .collect()
}

fn is_measured(motion: &Motion, position: usize, surface: usize) -> bool {
    motion
        .frames
        .get(position)
        .and_then(|frame| frame.deflections.get(surface))
        .is_some_and(Option::is_some)
}

fn deflection_deg(
    motion: &Motion,
    position: usize,
    surface: usize,
    neutral: &[usize],
) -> Option<Measured> {
    if neutral.is_empty() || !is_measured(motion, position, surface) {
        return None;
    }
    let share = 1.0 / neutral.len() as f64;
    let mut sum = vec![(position, surface, 1.0)];
    sum.extend(neutral.iter().map(|&at| (at, surface, -share)));
    let (values, covariance) = motion.weighted_sums(&[sum]);
    let sd_rad = covariance[(0, 0)].max(0.0).sqrt();
    Some(Measured::new(deg_from_rad(values[0]), deg_from_rad(sd_rad)))
}
