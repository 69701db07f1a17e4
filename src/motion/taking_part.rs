//! Which surfaces take part in the fit: those whose tags a clip shows moving about a hinge.
//!
//! A clip of one function of an aircraft shows other surfaces at rest, or not at all. Each of them is
//! left out with its reason, and the others are fitted without it.

use super::{FitOptions, HeldFit, Motion, MotionError, MotionWarning, fit, fit_to_the_end};
use crate::camera::CameraProfile;
use crate::model_file::{ModelFile, Surface};
use crate::tags::Sightings;

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

    /// Undeclared tags that the clip shows in place of the surface's own.
    pub fn tags_instead(&self) -> &[u32] {
        match &self.reason {
            MotionError::SurfaceNeverSeen { throughout, .. } => throughout,
            _ => &[],
        }
    }

    /// Stable, kebab-case name of the reason, as files have it.
    pub fn code(&self) -> &'static str {
        match self.reason {
            MotionError::SurfaceNeverSeen { .. } => "not-filmed",
            MotionError::TooFewFrames { .. } => "too-few-frames",
            MotionError::AtRest { .. } | MotionError::TravelTooSmall { .. } => "not-moved",
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
    let fit_of = |model: &ModelFile, doubts: &mut Vec<MotionWarning>| {
        fit(sightings, model, profile, options, doubts)
    };
    moving_part(model, warnings, fit_of)
}

/// The same, and holds the constants for frames that come later.
///
/// # Errors
/// As [`fit_what_moves`].
pub fn fit_what_moves_and_hold(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
    warnings: &mut Vec<MotionWarning>,
) -> Result<(HeldFit, Vec<LeftOut>), MotionError> {
    let fit_of = |model: &ModelFile, doubts: &mut Vec<MotionWarning>| {
        fit_to_the_end(sightings, model, profile, options, doubts)
    };
    let (concluded, left_out) = moving_part(model, warnings, fit_of)?;
    Ok((HeldFit::new(concluded, options), left_out))
}

/// The fit of the surfaces that move, by a fit of any of them.
fn moving_part<T>(
    model: &ModelFile,
    warnings: &mut Vec<MotionWarning>,
    fit_of: impl Fn(&ModelFile, &mut Vec<MotionWarning>) -> Result<T, MotionError>,
) -> Result<(T, Vec<LeftOut>), MotionError> {
    let mut moving = model.clone();
    let mut left_out = Vec::new();
    loop {
        let mut doubts = Vec::new();
        let error = match fit_of(&moving, &mut doubts) {
            Ok(fitted) => {
                warnings.extend(doubts);
                in_order(&mut left_out, model);
                return Ok((fitted, left_out));
            }
            Err(error) => error,
        };
        let culprits = match (surface_of(&error, &moving), error) {
            (_, MotionError::SeveralLeftOut { left_out }) => Ok(left_out),
            (Some(surface), error) => Ok(vec![LeftOut::of(surface, error)]),
            (None, error) => failing_alone(&moving, |alone| fit_of(alone, &mut Vec::new()), error),
        };
        let is_last = |culprits: &Vec<LeftOut>| culprits.len() == moving.surfaces.len();
        if culprits.as_ref().map_or(true, is_last) {
            // No other fit follows, so these are the warnings to report.
            warnings.extend(doubts);
        }
        let culprits = culprits?;
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
        | MotionError::AtRest { surface: name, .. }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model_file::StationSource;
    use crate::stations::test_motion::{SURFACE_NAMES, model_with};

    fn loose() -> MotionError {
        MotionError::FitLoose {
            rms_px: 2.0,
            rms_pct: 5.0,
            limit_pct: 3.0,
        }
    }

    /// What fails alone where some surfaces cannot be fitted.
    fn failing(bad: &[&str]) -> Result<Vec<String>, MotionError> {
        let model = model_with(StationSource::Order(vec![0.0]));
        let fit_of = |model: &ModelFile| {
            let mut surfaces = model.surfaces.iter();
            match surfaces.any(|surface| bad.contains(&surface.name.as_str())) {
                true => Err(loose()),
                false => Ok(()),
            }
        };
        let failing = failing_alone(&model, fit_of, loose())?;
        Ok(failing.into_iter().map(|one| one.surface).collect())
    }

    #[test]
    fn a_surface_that_spoils_the_fit_of_all_is_found_by_itself() {
        let [first, second, _] = SURFACE_NAMES;
        assert_eq!(failing(&[second]), Ok(vec![second.to_owned()]));
        // Something that all surfaces share, such as the camera profile, is the fault of none.
        assert_eq!(failing(&[first, second]), Err(loose()));
        assert_eq!(failing(&[]), Err(loose()));
    }
}
