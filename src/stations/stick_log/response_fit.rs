//! Deflections of one surface explained by a known shaft.

use super::servo::Shaft;
use crate::response_model::MovingPoints;
use crate::stations::trace::SurfaceTrace;

/// One surface explained by its shaft: the residuals about the best response and play.
pub(in crate::stations) struct ResponseFit {
    /// Measured frames in which the shaft is known.
    pub frames: Vec<usize>,
    /// Residual of each.
    pub residuals_deg: Vec<f64>,
}

impl ResponseFit {
    /// `None` if the shaft never moves in a measured frame.
    pub fn new(surface: &SurfaceTrace, shafts: &[Option<Shaft>]) -> Option<Self> {
        let mut points = MovingPoints::default();
        let mut frames = Vec::new();
        for (frame, (shaft, angle_deg)) in shafts.iter().zip(&surface.angle_deg).enumerate() {
            let Some(shaft) = shaft else { continue };
            points.add(
                shaft.at_pct,
                angle_deg.map(|angle| (angle, surface.sd_deg[frame])),
            );
            frames.extend(angle_deg.map(|_| frame));
        }
        Some(Self {
            residuals_deg: points.residuals_deg()?,
            frames,
        })
    }
}
