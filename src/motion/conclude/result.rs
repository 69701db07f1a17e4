//! From the fitted state to the result: angles with their sign, hinges, covariance.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector, Point3, Unit, Vector3};
use rayon::prelude::*;

use super::corner_errors::with_corner_errors;
use super::weak_geometry;
use crate::geometry::Pose;
use crate::measured::Measured;
use crate::model_file::ModelFile;
use crate::motion::problem::blocks::Block;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::{Corners, ObservedFrame, PIECE, Target};
use crate::motion::problem::parameters::{FrameState, Hinged};
use crate::motion::select::at_rest::require_travel;
use crate::motion::select::scatter::Scatter;
use crate::motion::solve::reduced::{AngleElimination, FrameElimination, Reduced, ViewVector};
use crate::motion::sorted_fit::undetermined;
use crate::motion::{
    FitOptions, FrameDeflection, LastingErrors, Misfit, Motion, MotionError, MotionFrame,
    MotionWarning, SurfaceMotion, TagsAtZero,
};
use crate::tags::Sightings;

/// The fit is doubted where tags are further from their predicted places than this share of their edges, in
/// the root mean square. Films that were coded so poorly that a hold could be 0.5° off have 0.4 %,
/// usual ones 0.05 to 0.2 %.
pub(in crate::motion) const LOOSE_SHARE: f64 = 0.01;
/// … and refused beyond this one: 0.6 mm of each coordinate on tags of 20 mm.
const REFUSED_LOOSE_SHARE: f64 = 0.03;

/// Input of the conclusion.
pub(in crate::motion) struct Conclusion<'a> {
    pub fit: &'a JointFit,
    pub state: &'a State,
    /// The mean residuals of each tag over all frames.
    pub constant: &'a BTreeMap<Target, Corners>,
    pub lasting: LastingErrors,
    pub sightings: &'a Sightings,
    /// With the airframe tags that the fit has.
    pub model: &'a ModelFile,
}

impl Conclusion<'_> {
    pub fn draw(
        self,
        options: &FitOptions,
        warnings: &mut Vec<MotionWarning>,
    ) -> Result<Motion, MotionError> {
        let state = self.state;
        let reduced = self.fit.system(state, 0.0);
        let undetermined = undetermined(self.fit);
        let scatter = Scatter::of(self.fit, state, self.constant).ok_or(undetermined.clone())?;
        let variance = scatter.variance;
        require_travel(self.fit, state, self.model, options.smallest_travel_deg)?;
        let covariance = self
            .covariance(&reduced, variance, options)
            .ok_or(undetermined.clone())?;
        let signs = self.signs().ok_or(undetermined.clone())?;
        let frames = self.frames(&reduced, &signs, variance);
        let surfaces = self.surfaces(&covariance, &signs).ok_or(undetermined)?;
        let motion = Motion {
            surfaces,
            frames,
            camera_moved: self.fit.layout.camera_moves,
            landmarks: self.fit.layout.landmarks,
            picture: self.fit.picture_wander(),
            readout_s: self.readout_s(&covariance),
            reprojection_rms_px: scatter.rms_px,
            allowed_rms_px: scatter.allowed_px.hypot(options.corner_error_sd_px),
            constants_covariance: covariance,
            lasting: self.lasting,
            lens: self.fit.lens.camera(&state.constants),
            passes: self.fit.passes.clone(),
            tags_at_zero: TagsAtZero::new(&state.constants, &self.fit.layout, self.model, &signs),
        };
        judge_scatter(&scatter, warnings)?;
        weak_geometry::judge_hinges(&motion, self.model, warnings)?;
        weak_geometry::judge_airframe_tag(self.fit, state, self.model, warnings);
        Ok(motion)
    }

    /// Covariance of all constants, lasting errors of corners included.
    fn covariance(
        &self,
        reduced: &Reduced,
        variance: f64,
        options: &FitOptions,
    ) -> Option<DMatrix<f64>> {
        let layout = &self.fit.layout;
        let own = reduced.covariance(layout.fitted())? * variance;
        with_corner_errors(&own, reduced, layout, options.corner_error_sd_px)
    }

    /// +1 where a growing angle is a positive deflection, −1 where it is a negative one.
    pub fn signs(&self) -> Option<Vec<f64>> {
        let first = self.first_camera()?;
        let state = self.state;
        let signs = state.constants.surfaces.iter().enumerate();
        let sign = |(surface, hinged): (usize, &Hinged)| {
            let mut angles: Vec<f64> = self
                .fit
                .frames
                .iter()
                .zip(&state.frames)
                .filter(|(frame, _)| frame.shows(Target::Surface(surface)))
                .map(|(_, state)| state.angles_rad[surface])
                .collect();
            angles.sort_by(f64::total_cmp);
            let middle = angles.get(angles.len() / 2).copied().unwrap_or(0.0);
            let tag = hinged
                .hinge
                .carry(&hinged.reference_from_tag_at_zero, middle);
            let lever = tag.translation.vector - hinged.hinge.point.coords;
            let way_in_camera = first.rotation * hinged.hinge.axis.cross(&lever);
            let positive = if self.model.surfaces[surface].upright {
                -Vector3::x()
            } else {
                -Vector3::y()
            };
            if way_in_camera.dot(&positive) < 0.0 {
                -1.0
            } else {
                1.0
            }
        };
        Some(signs.map(sign).collect())
    }

    /// Camera pose of the first frame in which a surface was measured.
    fn first_camera(&self) -> Option<Pose> {
        let surface = |frame: &ObservedFrame| {
            frame
                .kept()
                .any(|seen| matches!(seen.target, Target::Surface(_)))
        };
        let mut frames = self.fit.frames.iter().zip(&self.state.frames);
        let first = frames.find(|(frame, _)| surface(frame));
        first.map(|(_, state)| state.camera_from_reference)
    }

    fn frames(&self, reduced: &Reduced, signs: &[f64], variance: f64) -> Vec<MotionFrame> {
        let constants = self.fit.layout.constants();
        let frames = self.fit.frames.par_iter().zip(&reduced.frames);
        frames
            .zip(&self.state.frames)
            .with_min_len(PIECE)
            .map(|((observed, eliminated), state)| {
                let sighted = &self.sightings.frames[observed.position];
                let with = (signs, constants, variance);
                let (deflections, own_covariance_rad2) =
                    deflections(observed, eliminated, state, with);
                MotionFrame {
                    index: sighted.index,
                    time_s: sighted.time_s,
                    deflections,
                    own_covariance_rad2,
                }
            })
            .collect()
    }

    fn readout_s(&self, covariance: &DMatrix<f64>) -> Option<Measured> {
        let own_s2 = (self.fit.layout).own_covariance(Block::Readout, covariance)?;
        let sd_s = own_s2[(0, 0)].max(0.0).sqrt();
        Some(Measured::new(self.state.constants.readout_s, sd_s))
    }

    fn surfaces(&self, covariance: &DMatrix<f64>, signs: &[f64]) -> Option<Vec<SurfaceMotion>> {
        let camera = self.first_camera().unwrap_or_else(Pose::identity);
        let constants = &self.state.constants;
        let surfaces = constants.surfaces.iter().zip(&self.model.surfaces);
        surfaces
            .enumerate()
            .map(|(index, (hinged, declared))| {
                let own = self.fit.layout.surface_covariance(index, covariance)?;
                let seen = hinged.hinge.seen_from(&camera);
                let tag: Point3<f64> = camera * hinged.tag_centre();
                let axis = if signs[index] < 0.0 {
                    -seen.axis
                } else {
                    seen.axis
                };
                let foot = seen.foot_of(&tag);
                Some(SurfaceMotion {
                    name: declared.name.clone(),
                    tag_id: declared.tag_id,
                    axis_in_camera: axis,
                    arm_at_zero_in_camera: Unit::new_normalize(tag - foot),
                    point_in_camera_mm: foot,
                    radius_mm: hinged.radius(&own),
                })
            })
            .collect()
    }
}

/// The deflections of a frame whose unknowns were eliminated, and their covariance given the constants, rad². The
/// signs of the surfaces, the number of constants, and the variance of the whitened residuals come with it.
pub(in crate::motion) fn deflections(
    observed: &ObservedFrame,
    eliminated: &FrameElimination,
    state: &FrameState,
    (signs, constants, variance): (&[f64], usize, f64),
) -> (Vec<Option<FrameDeflection>>, DMatrix<f64>) {
    let deflections = (0..signs.len()).map(|surface| {
        let angle = of_surface(eliminated, surface)?;
        let own_rad2 = variance * angle.variance_by_itself();
        Some(FrameDeflection {
            angle_rad: signs[surface] * state.angles_rad[surface],
            gain: signs[surface] * gain(angle, eliminated, constants),
            misfit: misfit(observed, surface, own_rad2),
        })
    });
    let own_covariance_rad2 = own_covariance(eliminated, signs) * variance;
    (deflections.collect(), own_covariance_rad2)
}

/// Variance that the misfit of a marginal sighting adds to a deflection whose own variance is given.
fn misfit(observed: &ObservedFrame, surface: usize, own_rad2: f64) -> Option<Misfit> {
    let mut kept = observed.kept();
    let doubt = kept
        .find(|seen| seen.target == Target::Surface(surface))?
        .doubt?;
    Some(Misfit {
        sd_rad: (own_rad2 * doubt.excess).sqrt(),
        run: doubt.run,
    })
}

fn of_surface(eliminated: &FrameElimination, surface: usize) -> Option<&AngleElimination> {
    eliminated
        .angles
        .iter()
        .find(|angle| angle.surface == surface)
}

/// How a deflection follows the constants, directly and through the camera's pose.
fn gain(angle: &AngleElimination, eliminated: &FrameElimination, constants: usize) -> DVector<f64> {
    let mut gain = DVector::zeros(constants);
    for (column, coupling) in &angle.by_constants {
        gain[*column] -= coupling / angle.curvature;
    }
    if let Some(view) = &eliminated.view {
        gain -= view.by_constants(&angle.by_view) / angle.curvature;
    }
    gain
}

/// Covariance of a frame's deflections given the constants.
fn own_covariance(eliminated: &FrameElimination, signs: &[f64]) -> DMatrix<f64> {
    let mut own = DMatrix::zeros(signs.len(), signs.len());
    for angle in &eliminated.angles {
        // The view carries the weight that the frame's other sightings have in the constants; below
        // it is taken out.
        own[(angle.surface, angle.surface)] += angle.variance_by_itself();
        let Some(view) = &eliminated.view else {
            continue;
        };
        let lever: ViewVector = view.root.solve(&angle.by_view) / angle.curvature;
        for other in &eliminated.angles {
            let product = other.by_view.dot(&lever) / other.curvature * angle.share;
            own[(angle.surface, other.surface)] +=
                signs[angle.surface] * signs[other.surface] * product;
        }
    }
    own
}

/// Reports or refuses tags that do not move as the fit assumes.
fn judge_scatter(scatter: &Scatter, warnings: &mut Vec<MotionWarning>) -> Result<(), MotionError> {
    let (rms_px, rms_pct) = (scatter.rms_px, 100.0 * scatter.rms_share);
    if rms_pct.is_nan() || scatter.rms_share > REFUSED_LOOSE_SHARE {
        return Err(MotionError::FitLoose {
            rms_px,
            rms_pct,
            limit_pct: 100.0 * REFUSED_LOOSE_SHARE,
        });
    }
    if scatter.rms_share > LOOSE_SHARE {
        warnings.push(MotionWarning::FitLoose {
            rms_px,
            rms_pct,
            threshold_pct: 100.0 * LOOSE_SHARE,
        });
    }
    Ok(())
}
