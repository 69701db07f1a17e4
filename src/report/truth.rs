//! Measured against true values of the invented scenario.

use std::fmt::Write;

use serde::Deserialize;

use crate::measurement::{Measurement, SurfaceRecord};

use super::figures::{plain, signed, signed_with_u};

/// True deflections at one hold of an invented scenario, left and right.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
pub struct TrueStation {
    /// Stick position.
    pub stick_pct: f64,
    /// Of the first surface.
    pub left_deg: f64,
    /// Of the second surface.
    pub right_deg: f64,
}

impl TrueStation {
    /// Of the surface at a position of the model file.
    fn surface_deg(&self, position: usize) -> f64 {
        if position == 0 {
            self.left_deg
        } else {
            self.right_deg
        }
    }
}

/// A table of the two surfaces' deflections, measured and true, hold by hold, and the overall
/// difference. Holds are identified by their order in time.
pub fn beside_truth(measurement: &Measurement, truth: &[TrueStation]) -> String {
    let mut text = String::from("Measured and true deflections, degrees\n");
    let surfaces = || measurement.surfaces.iter().take(2).enumerate();
    write!(text, "  {:>8}", "stick, %").ok();
    for (_, surface) in surfaces() {
        write!(text, "  {:>16}  {:>8}", surface.name, "true").ok();
    }
    for (hold, station) in truth.iter().enumerate() {
        write!(text, "\n  {:>8}", signed(station.stick_pct, 0)).ok();
        for (position, surface) in surfaces() {
            let seen = surface.stations.iter().find(|seen| seen.hold == hold);
            let seen = seen.map_or_else(|| "–".into(), |seen| signed_with_u(seen.deflection_deg));
            let true_deg = signed(station.surface_deg(position), 3);
            write!(text, "  {seen:>16}  {true_deg:>8}").ok();
        }
    }
    for (position, surface) in surfaces() {
        let (rms_deg, inside, count) = agreement(surface, truth, position);
        write!(
            text,
            "\n{}: typical error {}°; the true value is inside ± at {inside} of {count} stations",
            surface.name,
            plain(rms_deg, 3)
        )
        .ok();
    }
    text
}

/// RMS of measured minus true, how many intervals hold the truth, and how many there are.
fn agreement(
    surface: &SurfaceRecord,
    truth: &[TrueStation],
    position: usize,
) -> (f64, usize, usize) {
    let errors: Vec<(f64, f64)> = surface
        .stations
        .iter()
        .filter_map(|seen| {
            let error = seen.deflection_deg.value - truth.get(seen.hold)?.surface_deg(position);
            Some((error, seen.deflection_deg.u()))
        })
        .collect();
    let squares: f64 = errors.iter().map(|(error, _)| error * error).sum();
    let inside = errors.iter().filter(|(error, u)| error.abs() <= *u).count();
    (
        (squares / errors.len().max(1) as f64).sqrt(),
        inside,
        errors.len(),
    )
}
