//! Which surfaces take part in the fit: those whose tags a clip shows moving about a hinge.
//!
//! A clip of one function of an aircraft shows other surfaces at rest, or not at all. Each of them is
//! left out with its reason, and the others are fitted without it.

use super::weak_geometry::TRAVEL_SHARES;
use super::{FitOptions, Motion, MotionError, MotionWarning, fit};
use crate::camera::CameraProfile;
use crate::conventions::deg_from_rad;
use crate::model_file::{ModelFile, Surface};
use crate::statistics::median;
use crate::tags::Sightings;

/// A tag at rest can be fitted with a hinge that its noise turns it about. Its travel is then this
/// many standard deviations of a single deflection at most. The noise itself makes 4 between the
/// shares of [`TRAVEL_SHARES`]; the rest is room for errors that last.
const TRAVEL_OF_NOISE_SD: f64 = 10.0;

/// A surface that a clip does not measure, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Name of the surface.
    pub surface: String,
    /// Id of its tag.
    pub tag_id: u32,
    /// Why it could not take part in the fit.
    pub reason: MotionError,
}

impl LeftOut {
    pub(super) fn of(surface: &Surface, reason: MotionError) -> Self {
        Self {
            surface: surface.name.clone(),
            tag_id: surface.tag_id,
            reason,
        }
    }

    /// One error for all of them.
    pub(super) fn together(mut left_out: Vec<Self>) -> MotionError {
        match left_out.len() {
            1 => left_out.remove(0).reason,
            _ => MotionError::SeveralLeftOut { left_out },
        }
    }

    /// Stable, kebab-case name of the reason, as files have it.
    pub fn code(&self) -> &'static str {
        match self.reason {
            MotionError::SurfaceNeverSeen { .. } => "not-filmed",
            MotionError::TooFewFrames { .. } => "too-few-frames",
            MotionError::TravelTooSmall { .. } => "not-moved",
            MotionError::NoHinge { .. } => "no-hinge",
            MotionError::HingeUndetermined { .. } => "hinge-poor",
            _ => "fits-nowhere",
        }
    }
}

/// Fits those of the declared surfaces that the clip shows moving, and lists the others in the order
/// of the model file.
///
/// # Errors
/// [`MotionError::SeveralLeftOut`] with all reasons where no surface is left; the error itself where it
/// concerns no single surface, or where only one is declared.
pub fn fit_what_moves(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
    warnings: &mut Vec<MotionWarning>,
) -> Result<(Motion, Vec<LeftOut>), MotionError> {
    let mut moving = model.clone();
    let mut left_out = Vec::new();
    let fit_of = |model: &ModelFile| {
        let mut doubts = Vec::new();
        let motion = fit(sightings, model, profile, options, &mut doubts)?;
        Ok((motion, doubts))
    };
    loop {
        let culprits = match fit_of(&moving) {
            Ok((motion, doubts)) => {
                let resting = at_rest(&motion, options);
                if resting.is_empty() {
                    warnings.extend(doubts);
                    in_order(&mut left_out, model);
                    return Ok((motion, left_out));
                }
                resting
            }
            Err(MotionError::SeveralLeftOut { left_out }) => left_out,
            Err(error) => match surface_of(&error, &moving) {
                Some(surface) => vec![LeftOut::of(surface, error)],
                None => failing_alone(&moving, fit_of, error)?,
            },
        };
        let is_culprit = |surface: &Surface| culprits.iter().any(|one| one.surface == surface.name);
        moving.surfaces.retain(|surface| !is_culprit(surface));
        left_out.extend(culprits);
        if moving.surfaces.is_empty() {
            in_order(&mut left_out, model);
            return Err(LeftOut::together(left_out));
        }
    }
}

fn in_order(left_out: &mut [LeftOut], model: &ModelFile) {
    let place = |one: &LeftOut| {
        let mut surfaces = model.surfaces.iter();
        surfaces.position(|surface| surface.name == one.surface)
    };
    left_out.sort_by_key(place);
}

/// The surface that an error is about.
fn surface_of<'m>(error: &MotionError, model: &'m ModelFile) -> Option<&'m Surface> {
    let mut surfaces = model.surfaces.iter();
    match error {
        MotionError::SurfaceNeverSeen { surface: name, .. }
        | MotionError::TooFewFrames { surface: name, .. }
        | MotionError::TravelTooSmall { surface: name, .. }
        | MotionError::NoHinge { surface: name }
        | MotionError::HingeUndetermined { surface: name, .. } => {
            surfaces.find(|surface| surface.name == *name)
        }
        MotionError::TagFitsNowhere { tag_id, .. } => {
            surfaces.find(|surface| surface.tag_id == *tag_id)
        }
        _ => None,
    }
}

/// Surfaces that cannot be fitted even alone, where the joint fit fails for no single one.
///
/// # Errors
/// The error of the joint fit, where it concerns the whole clip: none of the surfaces fails alone, or
/// all do.
fn failing_alone<T>(
    model: &ModelFile,
    fit_of: impl Fn(&ModelFile) -> Result<T, MotionError>,
    error: MotionError,
) -> Result<Vec<LeftOut>, MotionError> {
    let is_of_fit = matches!(
        error,
        MotionError::FitLoose { .. } | MotionError::Undetermined { .. }
    );
    if !is_of_fit || model.surfaces.len() < 2 {
        return Err(error);
    }
    let failing = model.surfaces.iter().filter_map(|surface| {
        let alone = ModelFile {
            surfaces: vec![surface.clone()],
            ..model.clone()
        };
        let error = fit_of(&alone).err()?;
        Some(LeftOut::of(surface, error))
    });
    let failing: Vec<LeftOut> = failing.collect();
    match failing.len() {
        0 => Err(error),
        all if all == model.surfaces.len() => Err(error),
        _ => Ok(failing),
    }
}

/// Surfaces whose fitted motion is not more than the noise of their tags.
fn at_rest(motion: &Motion, options: &FitOptions) -> Vec<LeftOut> {
    let resting = motion.surfaces.iter().enumerate();
    resting
        .filter_map(|(index, surface)| {
            let travel_deg = travel_deg(motion, index)?;
            let noise_deg = TRAVEL_OF_NOISE_SD * noise_deg(motion, index)?;
            (travel_deg < noise_deg).then(|| LeftOut {
                surface: surface.name.clone(),
                tag_id: surface.tag_id,
                reason: MotionError::TravelTooSmall {
                    surface: surface.name.clone(),
                    travel_deg,
                    needed_deg: options.smallest_travel_deg.max(noise_deg),
                },
            })
        })
        .collect()
}

/// Travel of a surface between the [`TRAVEL_SHARES`] of all its deflections.
fn travel_deg(motion: &Motion, surface: usize) -> Option<f64> {
    let frames = motion.frames.iter();
    let mut angles_rad: Vec<f64> = frames
        .filter_map(|frame| Some(frame.deflections[surface].as_ref()?.angle_rad))
        .collect();
    angles_rad.sort_by(f64::total_cmp);
    let last = angles_rad.len().checked_sub(1)?;
    let at = |share: f64| angles_rad[(share * last as f64).round() as usize];
    Some(deg_from_rad(at(TRAVEL_SHARES[1]) - at(TRAVEL_SHARES[0])))
}

/// Standard deviation of a usual single deflection by the errors of its own frame.
fn noise_deg(motion: &Motion, surface: usize) -> Option<f64> {
    let measured = motion.frames.iter();
    let measured = measured.filter(|frame| frame.deflections[surface].is_some());
    let variances = measured.map(|frame| frame.own_covariance_rad2[(surface, surface)]);
    Some(deg_from_rad(median(variances)?.max(0.0).sqrt()))
}
