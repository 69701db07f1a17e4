//! Sets the fit up: its observations and priors.

use std::sync::Arc;

use super::camera_motion;
use super::steady;
use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::motion::problem::joint_fit::{JointFit, Surroundings};
use crate::motion::problem::layout::Layout;
use crate::motion::problem::observation::{self, ObservedFrame, ReadLines, Target};
use crate::motion::problem::parameters::{Lens, Priors};
use crate::motion::problem::picture_motion::PicturePrior;
use crate::motion::problem::steadier::Steadied;
use crate::motion::solve::frame_start::START_LOSS;
use crate::motion::{FitOptions, MotionError};
use crate::tags::{Overview, Sightings};

/// The model with those of its airframe tags that were seen.
pub(in crate::motion) fn with_seen_airframe_tags(
    model: &ModelFile,
    sightings: &Sightings,
) -> ModelFile {
    let mut model = model.clone();
    model.airframe_tags.retain(|tag| {
        let mut frames = sightings.frames.iter();
        frames.any(|frame| frame.sighting(tag.id).is_some())
    });
    model
}

/// Whether a tag may be missing: an airframe tag that is not the only one.
pub(in crate::motion) fn can_do_without(model: &ModelFile, tag_id: u32) -> bool {
    let mut airframe = model.airframe_tags.iter();
    model.airframe_tags.len() > 1 && airframe.any(|tag| tag.id == tag_id)
}

/// The fit of a clip before its first step; all airframe tags of `model` are in sight.
pub(in crate::motion) fn joint_fit(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
) -> Result<JointFit, MotionError> {
    let Observed {
        mut frames,
        steadied,
        camera_moves,
    } = observed(sightings, model, profile, options)?;
    if camera_moves {
        frames
            .iter_mut()
            .filter(|frame| !frame.shows_airframe())
            .for_each(ObservedFrame::reject_all);
    }
    require_every_surface(&frames, model, &sightings.overview)?;
    let layout = Layout {
        surfaces: model.surfaces.len(),
        airframe_tags: model.airframe_tags.len(),
        camera_moves,
        picture_moves: false,
        edge_shift: options.edge_shift_sd_px > 0.0,
        readout: options.readout_sd_s > 0.0,
        lens: profile.covariance.is_some(),
        bows: options.bow_sd_share > 0.0,
        rocking: false,
        landmarks: 0,
        corner_errors: false,
    };
    let bow_sd_mm = layout.targets().map(|tag| {
        let (_, edge_mm) = declared(model, tag);
        (tag, options.bow_sd_share * edge_mm)
    });
    let bow_sd_mm = bow_sd_mm.collect();
    Ok(JointFit {
        layout,
        lens: Lens::new(profile),
        priors: Priors {
            picture: PicturePrior::UNSEEN,
            edge_shift_sd_px: options.edge_shift_sd_px,
            readout_sd_s: options.readout_sd_s,
            bow_sd_mm,
            radius_mm: model.surfaces.iter().map(|s| s.hinge_to_tag_mm).collect(),
        },
        loss: START_LOSS,
        lines: ReadLines::of(&sightings.clip),
        view_share_of_tags: 1.0,
        surroundings: Surroundings::Unused,
        steadied,
        frames,
        passes: vec![],
    })
}

/// The observations, steadied where only the picture moved.
struct Observed {
    frames: Vec<ObservedFrame>,
    steadied: Option<Arc<Steadied>>,
    camera_moves: bool,
}

fn observed(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
) -> Result<Observed, MotionError> {
    let frames = observation::observe(sightings, model)?;
    let wanders = |frames: &[ObservedFrame]| {
        let airframe_tags = model.airframe_tags.len();
        camera_motion::camera_moved(frames, airframe_tags, options.still_camera_px)
    };
    let camera_moves = wanders(&frames);
    if camera_moves
        && let Some((steady, steadied)) = steady::steadied(&frames, sightings, profile)
        && !wanders(&steady)
    {
        return Ok(Observed {
            frames: steady,
            steadied: Some(Arc::new(steadied)),
            camera_moves: false,
        });
    }
    Ok(Observed {
        frames,
        steadied: None,
        camera_moves,
    })
}

/// Whether the camera moved, and not only its picture.
///
/// # Errors
/// Corners that are not numbers.
pub(in crate::motion) fn camera_moves(
    sightings: &Sightings,
    model: &ModelFile,
    profile: &CameraProfile,
    options: &FitOptions,
) -> Result<bool, MotionError> {
    observed(sightings, model, profile, options).map(|observed| observed.camera_moves)
}

fn require_every_surface(
    frames: &[ObservedFrame],
    model: &ModelFile,
    overview: &Overview,
) -> Result<(), MotionError> {
    for (index, surface) in model.surfaces.iter().enumerate() {
        let target = Target::Surface(index);
        if !frames.iter().any(|frame| frame.shows(target)) {
            let sighted = sighted(frames, target);
            let (undeclared, throughout) = match sighted {
                0 => (
                    overview.undeclared_counts(),
                    overview.undeclared_throughout(),
                ),
                _ => (vec![], vec![]),
            };
            return Err(MotionError::SurfaceNeverSeen {
                surface: surface.name.clone(),
                tag_id: surface.tag_id,
                sighted,
                undeclared,
                throughout,
            });
        }
    }
    Ok(())
}

/// Every tag that was found has to fit somewhere; otherwise nothing would determine its constants.
pub(in crate::motion) fn require_every_tag(
    fit: &JointFit,
    model: &ModelFile,
) -> Result<(), MotionError> {
    let mut targets = fit.layout.targets();
    let misfit = targets.find(|tag| !fit.frames.iter().any(|frame| frame.shows(*tag)));
    misfit.map_or(Ok(()), |tag| {
        let (tag_id, _) = declared(model, tag);
        let sighted = sighted(&fit.frames, tag);
        Err(MotionError::TagFitsNowhere { tag_id, sighted })
    })
}

/// In how many frames a tag was found, kept or not.
fn sighted(frames: &[ObservedFrame], target: Target) -> usize {
    let found = frames.iter().flat_map(|frame| &frame.observations);
    found.filter(|seen| seen.target == target).count()
}

/// Id and edge (mm) of a tag.
pub(in crate::motion) fn declared(model: &ModelFile, tag: Target) -> (u32, f64) {
    match tag {
        Target::Surface(surface) => {
            let surface = &model.surfaces[surface];
            (surface.tag_id, surface.edge_mm)
        }
        Target::Airframe(tag) => {
            let tag = &model.airframe_tags[tag];
            (tag.id, tag.edge_mm)
        }
    }
}
