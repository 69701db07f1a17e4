//! Sets the fit up: what of a clip it looks at, and what is known before.

use std::collections::BTreeSet;

use super::joint_fit::JointFit;
use super::observation::{self, ObservedFrame, Target};
use super::parameters::{Layout, Lens, Priors};
use super::readout::ReadLines;
use super::start::START_LOSS;
use super::{FitOptions, MotionError, camera_motion, outliers};
use crate::camera::CameraProfile;
use crate::model_file::ModelFile;
use crate::tags::Sightings;
use crate::warning::Warning;

/// The clip as the fit sees it.
pub(super) struct Observed {
    frames: Vec<ObservedFrame>,
    /// Places in the model file of the airframe tags that are in sight.
    pub seen_airframe_tags: Vec<usize>,
    camera_moves: bool,
    lines: ReadLines,
}

impl Observed {
    /// All but the tags that are to be left out.
    pub fn new(
        left_out: &BTreeSet<u32>,
        sightings: &Sightings,
        model: &ModelFile,
        options: &FitOptions,
        warnings: &mut Vec<Warning>,
    ) -> Result<Self, MotionError> {
        let mut frames = observation::observe(left_out, sightings, model)?;
        let seen_airframe_tags = keep_seen_airframe_tags(&mut frames, model.airframe_tags.len());
        if seen_airframe_tags.is_empty() {
            warnings.push(Warning::NoAirframeTag);
        }
        let camera_moves =
            camera_motion::camera_moved(&frames, seen_airframe_tags.len(), options.still_camera_px);
        if camera_moves {
            frames
                .iter_mut()
                .filter(|frame| !frame.shows_airframe())
                .for_each(outliers::reject_all);
        }
        require_every_surface(&frames, model)?;
        Ok(Self {
            frames,
            seen_airframe_tags,
            camera_moves,
            lines: ReadLines::of(&sightings.clip),
        })
    }

    pub fn joint_fit(
        self,
        model: &ModelFile,
        profile: &CameraProfile,
        options: &FitOptions,
    ) -> JointFit {
        let layout = Layout {
            surfaces: model.surfaces.len(),
            airframe_tags: self.seen_airframe_tags.len(),
            camera_moves: self.camera_moves,
            edge_shift: options.edge_shift_sd_px > 0.0,
            readout: options.readout_sd_s > 0.0,
            lens: profile.covariance.is_some(),
            bows: options.bow_sd_share > 0.0,
            corner_errors: false,
        };
        let bow_sd_mm = layout.targets().map(|tag| {
            let (_, edge_mm) = declared(model, &self.seen_airframe_tags, tag);
            (tag, options.bow_sd_share * edge_mm)
        });
        let bow_sd_mm = bow_sd_mm.collect();
        JointFit {
            layout,
            lens: Lens::new(profile),
            priors: Priors {
                edge_shift_sd_px: options.edge_shift_sd_px,
                readout_sd_s: options.readout_sd_s,
                bow_sd_mm,
                radius_mm: model.surfaces.iter().map(|s| s.hinge_to_tag_mm).collect(),
            },
            loss: START_LOSS,
            lines: self.lines,
            frames: self.frames,
        }
    }
}

/// Airframe tags that were never seen are taken from the list; returns the places in it of those
/// that remain.
fn keep_seen_airframe_tags(frames: &mut [ObservedFrame], declared: usize) -> Vec<usize> {
    let seen: Vec<usize> = (0..declared)
        .filter(|tag| {
            frames
                .iter()
                .any(|frame| frame.shows(Target::Airframe(*tag)))
        })
        .collect();
    for frame in frames {
        for observation in &mut frame.observations {
            if let Target::Airframe(tag) = &mut observation.target {
                *tag = seen.iter().position(|kept| kept == tag).unwrap_or(*tag);
            }
        }
    }
    seen
}

fn require_every_surface(frames: &[ObservedFrame], model: &ModelFile) -> Result<(), MotionError> {
    for (index, surface) in model.surfaces.iter().enumerate() {
        let target = Target::Surface(index);
        if !frames.iter().any(|frame| frame.shows(target)) {
            return Err(MotionError::SurfaceNeverSeen {
                surface: surface.name.clone(),
                tag_id: surface.tag_id,
                sighted: sighted(frames, target),
            });
        }
    }
    Ok(())
}

/// Every tag that was found has to fit somewhere; otherwise nothing would determine its constants.
pub(super) fn require_every_tag(
    fit: &JointFit,
    model: &ModelFile,
    seen_airframe_tags: &[usize],
) -> Result<(), MotionError> {
    let mut targets = fit.layout.targets();
    let misfit = targets.find(|tag| !fit.frames.iter().any(|frame| frame.shows(*tag)));
    misfit.map_or(Ok(()), |tag| {
        let (tag_id, _) = declared(model, seen_airframe_tags, tag);
        let sighted = sighted(&fit.frames, tag);
        Err(MotionError::TagFitsNowhere { tag_id, sighted })
    })
}

/// Whether an airframe tag could be left out: another one was found that is not left out.
pub(super) fn another_airframe_tag(
    sightings: &Sightings,
    model: &ModelFile,
    left_out: &BTreeSet<u32>,
    tag_id: u32,
) -> bool {
    let tags = || model.airframe_tags.iter().map(|tag| tag.id);
    let mut others = tags().filter(|id| *id != tag_id && !left_out.contains(id));
    let found = |id| {
        let mut frames = sightings.frames.iter();
        frames.any(|frame| frame.sighting(id).is_some())
    };
    tags().any(|id| id == tag_id) && others.any(found)
}

/// In how many frames a tag was found, kept or not.
fn sighted(frames: &[ObservedFrame], target: Target) -> usize {
    let found = frames.iter().flat_map(|frame| &frame.observations);
    found.filter(|seen| seen.target == target).count()
}

/// Id and edge (mm) of a tag; `seen_airframe_tags` are places in the model file.
pub(super) fn declared(model: &ModelFile, seen_airframe_tags: &[usize], tag: Target) -> (u32, f64) {
    match tag {
        Target::Surface(surface) => {
            let surface = &model.surfaces[surface];
            (surface.tag_id, surface.edge_mm)
        }
        Target::Airframe(tag) => {
            let tag = &model.airframe_tags[seen_airframe_tags[tag]];
            (tag.id, tag.edge_mm)
        }
    }
}
