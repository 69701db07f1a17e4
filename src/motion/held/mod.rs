//! Single frames after a fit, with its constants held.
//!
//! A frame that comes later has unknowns of its own only: a deflection per surface, and the camera's pose if
//! the camera moves. [`HeldFit::settle`] finds them in a fraction of a millisecond. Their errors follow the
//! constants as in the fit, so that the ± of a single frame has the same parts as that of a clip.

mod figures;
mod frame;
mod spoiled;

pub use figures::Figures;
pub use frame::{HeldFrame, HeldTag};
pub use spoiled::Spoiled;

use std::collections::BTreeMap;

use nalgebra::{DMatrix, Point2};

use super::conclude::weak_geometry::travel_rad;
use super::problem::joint_fit::JointFit;
use super::problem::observation::Target;
use super::problem::parameters::{Constants, FrameState, Given};
use super::select::outliers::angle_spans;
use super::select::scatter::Scatter;
use super::{Concluded, FitOptions};
use crate::measured::Measured;
use crate::model_file::ModelFile;

/// Deflections beyond those of the fit that are tried, rad: stops that were not reached while learning.
const BEYOND_RAD: f64 = 0.3;

/// A finished fit whose constants are held.
#[derive(Debug, Clone)]
pub struct HeldFit {
    /// Without its frames.
    fit: JointFit,
    constants: Constants,
    model: ModelFile,
    signs: Vec<f64>,
    /// Covariance of all constants, lasting errors of corners included.
    covariance: DMatrix<f64>,
    /// Variance of the whitened residuals.
    variance: f64,
    /// Share of the variance of a corner that all frames of a rest have in common.
    lasting_share: f64,
    place_error_sd_px: f64,
    rejection_chi2: f64,
    /// Deflections of each surface that the fit saw, from and to.
    spans_rad: Vec<[f64; 2]>,
    /// The same with a margin on either side: what is tried for a frame.
    wide_spans_rad: Vec<[f64; 2]>,
    /// Travel of each surface, without outliers.
    travels_rad: Vec<Measured>,
    /// Factor on the declared covariance of each tag's corners.
    factors: BTreeMap<Target, f64>,
    /// The landmarks of the fit by their numbers: position, and standard deviation (px).
    landmarks: BTreeMap<u32, (usize, f64)>,
    /// The surface whose deflection rocks the aircraft.
    drive: usize,
    /// Where the camera was in the last frame of the fit.
    last: Option<FrameState>,
}

impl HeldFit {
    pub(in crate::motion) fn new(concluded: Concluded, options: &FitOptions) -> Self {
        let Concluded {
            mut fit,
            state,
            model,
            signs,
            motion,
        } = concluded;
        let spans_rad = angle_spans(&fit, &state);
        let scatter = Scatter::of(&fit, &state, &BTreeMap::new());
        let mut factors = BTreeMap::new();
        let mut landmarks = BTreeMap::new();
        let mut shown = vec![0; fit.layout.surfaces];
        for frame in &fit.frames {
            for seen in frame.kept() {
                factors.insert(seen.target, seen.variance_factor);
                if let Target::Surface(surface) = seen.target {
                    shown[surface] += 1;
                }
            }
            for seen in &frame.landmarks {
                landmarks.insert(seen.number, (seen.landmark, seen.sd_px));
            }
        }
        let frames = std::mem::take(&mut fit.frames);
        let used = frames.iter().zip(&state.frames);
        let last = used.rev().find(|(frame, _)| frame.is_used());
        Self {
            last: last.map(|(_, state)| state.clone()),
            drive: (0..shown.len())
                .rev()
                .max_by_key(|at| shown[*at])
                .unwrap_or(0),
            travels_rad: (0..motion.surfaces.len())
                .map(|surface| {
                    let travel = travel_rad(&motion, surface);
                    travel.unwrap_or(Measured::new(0.0, f64::INFINITY))
                })
                .collect(),
            covariance: motion.constants_covariance,
            lasting_share: motion.lasting.share,
            variance: scatter.map_or(1.0, |scatter| scatter.variance),
            place_error_sd_px: match fit.layout.view_moves() {
                true => 0.0,
                false => options.place_error_sd_px,
            },
            rejection_chi2: options.rejection_chi2,
            constants: state.constants,
            fit,
            model,
            signs,
            wide_spans_rad: spans_rad.iter().map(wider).collect(),
            spans_rad,
            factors,
            landmarks,
        }
    }

    /// The surfaces of the fit, in the order of their deflections, by name.
    pub fn surfaces(&self) -> impl Iterator<Item = &str> {
        self.model
            .surfaces
            .iter()
            .map(|surface| surface.name.as_str())
    }

    /// What every frame is predicted by.
    fn given(&self) -> Given<'_> {
        self.fit.lens.given(&self.constants)
    }

    /// Whether the camera moved against the airframe.
    pub fn camera_moves(&self) -> bool {
        self.fit.layout.camera_moves
    }

    /// Travel of a surface that the fit saw, rad. Its error is that of the constants: how well the hinge is known.
    pub fn travel_rad(&self, surface: usize) -> Measured {
        self.travels_rad[surface]
    }

    /// Which way and how far each surface went, rad, in the signs of deflections.
    pub fn span_rad(&self, surface: usize) -> [f64; 2] {
        let [from, to] = self.spans_rad[surface].map(|angle| self.signs[surface] * angle);
        [from.min(to), from.max(to)]
    }

    /// The hinge line in a frame's picture, px: two points, one edge of the tag to either side of the point
    /// next to the tag. `None` outside the model.
    pub fn hinge_px(&self, frame: &HeldFrame, surface: usize) -> Option<[Point2<f64>; 2]> {
        let hinged = &self.constants.surfaces[surface];
        let camera_from_reference = &frame.state.camera_from_reference;
        let foot = hinged.hinge.foot_of(&hinged.tag_centre());
        let reach = hinged.hinge.axis.into_inner() * self.model.surfaces[surface].edge_mm;
        let ends = [foot - reach, foot + reach];
        let camera = self.given().camera;
        let [left, right] = ends.map(|end| camera.project(&(camera_from_reference * end)));
        Some([left?, right?])
    }
}

fn wider([from, to]: &[f64; 2]) -> [f64; 2] {
    [from - BEYOND_RAD, to + BEYOND_RAD]
}
