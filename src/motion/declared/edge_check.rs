//! Weighs the declared edges of the tags against each other.
//!
//! Beside a still camera the edges set the scale of lengths only. A camera in the hand takes its place
//! from the airframe tag, and then sees a surface's tag at a distance that follows from its edge: edges that do not
//! belong together do not fit.

use super::declared_fit::Declared;
use crate::model_file::ModelFile;
use crate::motion::MotionError;
use crate::motion::start::setup;

/// Edges over the declared ones that are tried first: a trial reaches half of the way to the next …
const NEAR_RATIOS: [f64; 6] = [0.8, 0.9, 0.97, 1.03, 1.12, 1.25];
/// … and those that are tried as well where much does not fit.
const FAR_RATIOS: [f64; 6] = [0.5, 0.63, 0.71, 1.4, 1.6, 2.0];
/// Rounds of trials nearer and nearer to the best ratio, each by this factor of the step.
const ROUNDS: usize = 5;
const STEP_FACTOR: f64 = 0.5;
const FIRST_STEP: f64 = 0.1;
/// A second edge is named if it explains the clip nearly as well.
const AS_WELL: f64 = 1.5;

/// An edge with which the clip fits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::motion) struct FittingEdge {
    pub tag_id: u32,
    pub declared_mm: f64,
    pub fits_mm: f64,
    /// [`Declared::misfit`] with it.
    pub misfit: f64,
    /// Another tag's edge that explains the clip as well.
    pub or: Option<(u32, f64)>,
}

impl FittingEdge {
    /// The refusal.
    pub fn error(&self) -> MotionError {
        MotionError::EdgeContradicted {
            tag_id: self.tag_id,
            declared_mm: self.declared_mm,
            fits_mm: self.fits_mm,
            or: self.or,
        }
    }
}

/// The one edge that explains the clip best if it is changed, and better than the declared ones with their
/// misfit; `None` beside a still camera. Trials begin within a quarter of the
/// declared edge, and further off where `may_be_far`.
pub(in crate::motion) fn best_edge(
    declared: &Declared<'_>,
    declared_misfit: f64,
    may_be_far: bool,
) -> Option<FittingEdge> {
    let far: &[f64] = if may_be_far { &FAR_RATIOS } else { &[] };
    let ratios = [&NEAR_RATIOS, far].concat();
    let (sightings, model) = (declared.sightings, &declared.model);
    let moves = setup::camera_moves(sightings, model, &declared.profile, declared.options);
    if !moves.ok()? {
        return None;
    }
    let mut best: Vec<FittingEdge> = edges(&declared.model)
        .into_iter()
        .filter_map(|tag| best_of_tag(declared, tag, &ratios, declared_misfit))
        .collect();
    best.sort_by(|a, b| a.misfit.total_cmp(&b.misfit));
    let (first, second) = (*best.first()?, best.get(1));
    let or = second.filter(|second| second.misfit < AS_WELL * first.misfit);
    Some(FittingEdge {
        or: or.map(|edge| (edge.tag_id, edge.fits_mm)),
        ..first
    })
}

fn best_of_tag(
    declared: &Declared<'_>,
    (declared_mm, tag_id): (f64, u32),
    ratios: &[f64],
    declared_misfit: f64,
) -> Option<FittingEdge> {
    let misfit = |ratio: f64| {
        let mut changed = declared.clone();
        let edge_mm = edge_of(&mut changed.model, tag_id)?;
        *edge_mm *= ratio;
        let fits_mm = *edge_mm;
        Some((ratio, fits_mm, changed.misfit()?))
    };
    let better = |a: &(f64, f64, f64), b: &(f64, f64, f64)| a.2.total_cmp(&b.2);
    let tried = ratios.iter().copied().filter_map(misfit);
    let mut best = tried.min_by(better)?;
    if best.2 > declared_misfit {
        return None;
    }
    let mut step = FIRST_STEP;
    for _ in 0..ROUNDS {
        let nearby = [best.0 / (1.0 + step), best.0 * (1.0 + step)];
        let nearer = nearby.into_iter().filter_map(misfit);
        best = nearer.chain([best]).min_by(better)?;
        step *= STEP_FACTOR;
    }
    Some(FittingEdge {
        tag_id,
        declared_mm,
        fits_mm: best.1,
        misfit: best.2,
        or: None,
    })
}

/// Edge and id of all tags.
fn edges(model: &ModelFile) -> Vec<(f64, u32)> {
    let surfaces = model.surfaces.iter();
    let airframe = model.airframe_tags.iter();
    surfaces
        .map(|surface| (surface.edge_mm, surface.tag_id))
        .chain(airframe.map(|tag| (tag.edge_mm, tag.id)))
        .collect()
}

fn edge_of(model: &mut ModelFile, tag_id: u32) -> Option<&mut f64> {
    let surfaces = model.surfaces.iter_mut();
    let airframe = model.airframe_tags.iter_mut();
    surfaces
        .map(|surface| (surface.tag_id, &mut surface.edge_mm))
        .chain(airframe.map(|tag| (tag.id, &mut tag.edge_mm)))
        .find(|(id, _)| *id == tag_id)
        .map(|(_, edge_mm)| edge_mm)
}
