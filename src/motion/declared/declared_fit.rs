//! The fit as declared, or without the declarations that the clip contradicts.
//!
//! A wrong declaration shows as large residuals at many tags, not only at the wrong one. So
//! each declaration that could be wrong is changed alone; the change that explains the clip identifies the
//! wrong one.

use super::edge_check;
use super::profile_check;
use super::profile_check::FreeLens;
use super::ruler_check;
use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::motion::conclude::result::LOOSE_SHARE;
use crate::motion::problem::joint_fit::{JointFit, State, Surroundings};
use crate::motion::problem::observation::Target;
use crate::motion::select::at_rest;
use crate::motion::select::outliers;
use crate::motion::select::scatter::Scatter;
use crate::motion::sorted_fit::fit_of_every_tag;
use crate::motion::start::first_state;
use crate::motion::start::setup;
use crate::motion::{FitOptions, MotionError, MotionWarning};
use crate::tags::Sightings;

/// A fit that keeps less than this share of the sightings may rest on something wrong …
const LEAST_KEPT_SHARE: f64 = 0.8;
/// … and less than this one it does: films with three wrong sightings in ten are fitted well.
const LEAST_KEPT_FOR_SURE: f64 = 0.6;
/// An airframe tag that fits in less than this share of its frames is not where others are.
const LEAST_KEPT_OF_TAG: f64 = 0.5;
/// Frames on which changed declarations are tried.
const TRIED_FRAMES: usize = 120;
/// A changed declaration explains the clip if it leaves less than this share of the misfit.
const EXPLAINS_SHARE: f64 = 0.6;

/// The declarations, and the fit's settings.
#[derive(Debug, Clone)]
pub(in crate::motion) struct Declared<'a> {
    pub sightings: &'a Sightings,
    /// With the airframe tags that the fit uses.
    pub model: ModelFile,
    pub profile: CameraProfile,
    pub options: &'a FitOptions,
}

/// A fit whose sightings are sorted, with its state.
pub(in crate::motion) type Sorted = (JointFit, State);

impl Declared<'_> {
    /// The fit with every tag.
    pub fn fit(&self) -> Result<Sorted, MotionError> {
        fit_of_every_tag(self.sightings, &self.model, &self.profile, self.options)
    }

    /// Mean loss of a sighting in a fit by these declarations; `None` if there is no fit.
    pub fn misfit(&self) -> Option<f64> {
        let fresh =
            setup::joint_fit(self.sightings, &self.model, &self.profile, self.options).ok()?;
        let started = first_state::start(&fresh, &self.model).ok()?;
        let mut fit = fresh.clone();
        let state = outliers::fit_and_sort(&mut fit, started, self.options.rejection_chi2).ok()?;
        let sightings: usize = fresh.frames.iter().map(|frame| frame.kept().count()).sum();
        Some(fresh.forgiving_cost(&state) / sightings.max(1) as f64)
    }
}

/// The fit of all tags that fit somewhere, by all declarations that hold.
///
/// # Errors
/// As [`crate::motion::fit`]; a wrong declaration is named where it is the reason.
pub(in crate::motion) fn fit_by_what_holds(
    declared: &mut Declared<'_>,
    warnings: &mut Vec<MotionWarning>,
) -> Result<Sorted, MotionError> {
    let mut left_out = vec![];
    let mut fitted = fit_of_fitting_tags(declared, &mut left_out);
    if let (false, Ok((fit, state))) = (keeps_less_than(LEAST_KEPT_SHARE, &fitted), &fitted) {
        // A surface that rests is left out in any case: no need to weigh declarations with its tag.
        let needed_deg = declared.options.smallest_travel_deg;
        at_rest::require_travel(fit, state, &declared.model, needed_deg)?;
    }
    if let Some(doubts) = ruler_check::leave_out_wrong_rulers(declared, &fitted) {
        warnings.extend(doubts.into_iter().map(MotionWarning::Declaration));
        fitted = fit_of_fitting_tags(declared, &mut left_out);
    }
    fitted = match cause(declared, &fitted) {
        Some(Cause::Refused(error)) => return Err(error),
        Some(Cause::Lens(lens)) => with_free_lens(declared, fitted, lens, warnings),
        Some(Cause::OtherLens { profile, share }) => {
            let before = declared.clone();
            declared.profile = *profile;
            let by_lens = fit_of_fitting_tags(declared, &mut left_out);
            if let Ok(sorted) = &by_lens {
                let doubt = profile_check::doubt(&before, sorted, share);
                warnings.extend(doubt.map(MotionWarning::Declaration));
            }
            by_lens
        }
        None => fitted,
    };
    let sighted = left_out.into_iter();
    warnings.extend(
        sighted.map(|(tag_id, sighted)| MotionWarning::AirframeTagLeftOut { tag_id, sighted }),
    );
    fitted
}

/// The fit with a lens that is near the declared one, where the declared one spoils deflections.
fn with_free_lens(
    declared: &mut Declared<'_>,
    fitted: Result<Sorted, MotionError>,
    lens: FreeLens,
    warnings: &mut Vec<MotionWarning>,
) -> Result<Sorted, MotionError> {
    let sorted = fitted?;
    match profile_check::with_free_lens(declared, &sorted, lens) {
        Some((by_lens, doubt)) => {
            warnings.push(MotionWarning::Declaration(doubt));
            Ok(by_lens)
        }
        None => Ok(sorted),
    }
}

/// The fit of all that fits; an airframe tag that fits nowhere is left out where another one is left.
fn fit_of_fitting_tags(
    declared: &mut Declared<'_>,
    left_out: &mut Vec<(u32, usize)>,
) -> Result<Sorted, MotionError> {
    loop {
        let fitted = declared.fit();
        let Some(misfit) = misfit_tag(&fitted, &declared.model) else {
            return fitted;
        };
        // Whichever of the tags is wrong, the first one is the reference and makes the others look wrong.
        let without: Vec<(u32, Declared, Result<Sorted, MotionError>)> = declared
            .model
            .airframe_tags
            .iter()
            .map(|tag| {
                let mut without = declared.clone();
                without
                    .model
                    .airframe_tags
                    .retain(|other| other.id != tag.id);
                let fitted = without.fit();
                (tag.id, without, fitted)
            })
            .collect();
        let best = without.into_iter().rev().max_by_key(|(_, _, fitted)| {
            fitted.as_ref().map_or(0, |(fit, _)| kept_of_surfaces(fit))
        });
        let Some((tag_id, without, fitted)) = best else {
            return fitted;
        };
        *declared = without;
        left_out.push((tag_id, misfit.1));
        if misfit_tag(&fitted, &declared.model).is_none() {
            return fitted;
        }
    }
}

/// An airframe tag that does not fit and could be left out, and in how many frames it was found.
fn misfit_tag(fitted: &Result<Sorted, MotionError>, model: &ModelFile) -> Option<(u32, usize)> {
    match fitted {
        Err(MotionError::TagFitsNowhere { tag_id, sighted }) => {
            setup::can_do_without(model, *tag_id).then_some((*tag_id, *sighted))
        }
        Ok((fit, _)) if model.airframe_tags.len() > 1 => {
            (0..model.airframe_tags.len()).find_map(|tag| {
                let (kept, all) = kept_of(fit, Target::Airframe(tag));
                let fits = kept as f64 >= LEAST_KEPT_OF_TAG * all as f64;
                (!fits).then_some((model.airframe_tags[tag].id, all))
            })
        }
        _ => None,
    }
}

/// Sightings of a tag that are kept, and all of them.
fn kept_of(fit: &JointFit, target: Target) -> (usize, usize) {
    let frames = fit.frames.iter().flat_map(|frame| &frame.observations);
    let of_tag = frames.filter(|seen| seen.target == target);
    of_tag.fold((0, 0), |(kept, all), seen| {
        (kept + usize::from(seen.kept), all + 1)
    })
}

fn kept_of_surfaces(fit: &JointFit) -> usize {
    let surfaces = (0..fit.layout.surfaces).map(Target::Surface);
    surfaces.map(|surface| kept_of(fit, surface).0).sum()
}

/// Whether there is no fit, or one that sightings do not follow well, or less than a share of them.
fn keeps_less_than(share: f64, fitted: &Result<Sorted, MotionError>) -> bool {
    let (fit, state) = match fitted {
        Ok(sorted) => sorted,
        Err(error) => return may_be_misdeclared(error),
    };
    let counts = fit.layout.targets().map(|tag| kept_of(fit, tag));
    let (kept, all) = counts.fold((0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
    let scatter = Scatter::of(fit, state, &Default::default());
    (kept as f64) < share * all as f64
        || scatter.is_none_or(|scatter| scatter.rms_share > LOOSE_SHARE)
}

/// Why a fit is bad.
enum Cause {
    /// A lens near the declared one.
    Lens(FreeLens),
    /// A lens far from the declared one.
    OtherLens {
        /// The profile as a free lens.
        profile: Box<CameraProfile>,
        /// Share of the misfit that it leaves.
        share: f64,
    },
    /// Any reason that prevents measuring.
    Refused(MotionError),
}

/// The declaration whose change explains why a fit is bad; `None` if there is none.
fn cause(declared: &Declared<'_>, fitted: &Result<Sorted, MotionError>) -> Option<Cause> {
    let profile = &declared.profile;
    let lens = match fitted {
        Ok(sorted) => profile_check::lens_of_clip(declared, sorted),
        Err(_) => None,
    };
    let lens = lens.filter(|lens| profile_check::looks_wrong(lens, profile));
    // To a camera in the hand a wrong edge can look like a wrong lens, like surroundings that move or fit
    // nowhere, or like a picture that moves against its lens.
    let fits_badly = keeps_less_than(LEAST_KEPT_SHARE, fitted)
        || fitted.as_ref().is_ok_and(|(fit, _)| {
            [Surroundings::Moving, Surroundings::Undetermined].contains(&fit.surroundings)
        });
    let looks_like_lens = fitted.as_ref().is_ok_and(|(fit, _)| {
        fit.layout.camera_moves && (lens.is_some() || fit.layout.picture_moves)
    });
    let lens = lens.filter(|lens| profile_check::contradicts(lens, profile));
    let to_try = fits_badly || looks_like_lens;
    let tried = to_try
        .then(|| cause_by_trials(declared, fitted, fits_badly))
        .flatten();
    match (tried, lens) {
        (Some(Cause::Refused(error)), _) => Some(Cause::Refused(error)),
        (_, Some(lens)) => Some(Cause::Lens(lens)),
        (tried, None) => tried,
    }
}

/// The same by changing each declaration in turn; edges that are far off only where much fits badly.
fn cause_by_trials(
    declared: &Declared<'_>,
    fitted: &Result<Sorted, MotionError>,
    fits_badly: bool,
) -> Option<Cause> {
    if declared.model.airframe_tags.is_empty() {
        return keeps_less_than(LEAST_KEPT_FOR_SURE, fitted)
            .then(|| declared.sightings.overview.undeclared_throughout())
            .map(|undeclared| Cause::Refused(MotionError::CameraMovedUnseen { undeclared }));
    }
    let thinned = thinned(declared.sightings);
    let tried = Declared {
        sightings: &thinned,
        ..declared.clone()
    };
    let misfit = tried.misfit()?;
    let explains = |changed: f64| changed < EXPLAINS_SHARE * misfit;
    let edge = edge_check::best_edge(&tried, misfit, fits_badly);
    let edge = edge.filter(|edge| explains(edge.misfit));
    let lens = profile_check::best_lens(&tried).filter(|(_, of_lens)| explains(*of_lens));
    match (lens, edge) {
        (Some((_, of_lens)), Some(edge)) if edge.misfit <= of_lens => {
            Some(Cause::Refused(edge.error()))
        }
        (Some((profile, of_lens)), _) => Some(Cause::OtherLens {
            profile: Box::new(profile),
            share: of_lens / misfit,
        }),
        (None, edge) => Some(Cause::Refused(edge?.error())),
    }
}

/// Errors that a wrong declaration can have made.
fn may_be_misdeclared(error: &MotionError) -> bool {
    matches!(
        error,
        MotionError::NoHinge { .. }
            | MotionError::TagFitsNowhere { .. }
            | MotionError::Undetermined { .. }
    )
}

/// Some of the frames, without their landmarks.
fn thinned(sightings: &Sightings) -> Sightings {
    let every = sightings.frames.len().div_ceil(TRIED_FRAMES).max(1);
    let mut frames: Vec<_> = sightings.frames.iter().step_by(every).cloned().collect();
    frames.iter_mut().for_each(|frame| frame.landmarks.clear());
    Sightings {
        clip: sightings.clip.clone(),
        frames,
        overview: sightings.overview.clone(),
    }
}
