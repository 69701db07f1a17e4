//! What has changed where frames no longer fit: the camera's place, its enlargement, or a tag.

use super::{HeldFit, HeldFrame, HeldTag};
use crate::geometry::Pose;
use crate::motion::problem::joint_fit::JointFit;
use crate::motion::problem::layout::Layout;
use crate::motion::problem::observation::{ObservedFrame, Target};
use crate::motion::problem::parameters::FrameState;
use crate::motion::problem::picture_motion::{PictureMotion, PicturePrior};
use crate::motion::problem::residuals::chi2_of;
use crate::motion::solve::frame_fit::FrameFit;
use crate::motion::solve::frame_start::{START_LOSS, best_start};

/// Before a fixed camera an airframe tag may be off by so much, px: twice what a camera that stands still
/// wanders. On a tag arm of 90 mm at 2 px/mm it makes 0.05°.
const STILL_PX: f64 = 0.16;
/// A changed enlargement is known by its growth from here on; focus breathes by 0.004 (thin lens).
const LEAST_ZOOM: f64 = 0.006;
/// Enlargements up to a factor of e are searched: standard deviation of the growth.
const ZOOM_SD: f64 = 1.0;
/// A zoom keeps the middle of the picture where it is, to so many px; lenses and crops differ by less.
const ZOOM_SHIFT_SD_PX: f64 = 3.0;
/// An explanation holds where χ² of a coordinate is below this in the mean of all tags: a changed zoom changes
/// the distortion a little as well.
const EXPLAINS_CHI2: f64 = 8.0;
/// … or a hundred times smaller than without it.
const EXPLAINS_SHARE: f64 = 0.01;
/// Coordinates of a sighting.
const COORDINATES: f64 = 8.0;

/// What has changed since the fit.
#[derive(Debug, Clone, PartialEq)]
pub enum Spoiled {
    /// The camera, which was fixed, has another place.
    CameraMoved,
    /// The picture is enlarged by this factor.
    Zoom(f64),
    /// These tags are not where they were on their surfaces, or on the airframe.
    Tags(Vec<u32>),
}

impl HeldFit {
    /// Whether a tag of a frame is not where it should be.
    pub fn is_suspect(&self, frame: &HeldFrame) -> bool {
        !frame.fits() || self.is_bumped(frame)
    }

    /// Whether an airframe tag is not where the fixed camera saw it.
    fn is_bumped(&self, frame: &HeldFrame) -> bool {
        let is_off = |tag: &HeldTag| tag.off_px[0].hypot(tag.off_px[1]) > STILL_PX;
        let mut airframe = frame.tags.iter().filter(|tag| tag.on_airframe);
        !self.fit.layout.view_moves() && airframe.any(is_off)
    }

    /// What explains a frame whose tags do not fit; `None` where they do.
    pub fn spoiled(&self, frame: &HeldFrame) -> Option<Spoiled> {
        let airframe = frame.tags.iter().filter(|tag| tag.on_airframe);
        let bumped = self.is_bumped(frame);
        let misfit: Vec<u32> = frame
            .tags
            .iter()
            .filter(|tag| !tag.fits)
            .map(|tag| tag.tag_id)
            .collect();
        if !bumped && misfit.is_empty() {
            return None;
        }
        // Whatever moves the whole picture moves an airframe tag as well; where they all fit, a surface's tag moved.
        let airframe_fits = airframe.clone().count() > 0 && airframe.clone().all(|tag| tag.fits);
        if !bumped && airframe_fits && !self.camera_moves() {
            return Some(Spoiled::Tags(misfit));
        }
        let mut observed = frame.observed.clone();
        for seen in &mut observed.observations {
            seen.kept = true;
            seen.doubt = None;
        }
        let before = self.chi2(&observed, &frame.state);
        let explains = |chi2: f64| chi2 < EXPLAINS_CHI2 || chi2 < EXPLAINS_SHARE * before;
        if observed.observations.len() > 1 || bumped {
            let zoomed = self.settled_otherwise(&observed, &frame.state, true, self.camera_moves());
            if let Some((state, chi2)) = zoomed {
                let growth = state.picture.growth;
                if explains(chi2) && growth.abs() > LEAST_ZOOM {
                    return Some(Spoiled::Zoom(1.0 + growth));
                }
            }
        }
        if self.camera_moves() {
            return (!misfit.is_empty()).then_some(Spoiled::Tags(misfit));
        }
        let moved = self.settled_otherwise(&observed, &frame.state, false, true);
        match moved {
            Some((_, chi2)) if explains(chi2) => Some(Spoiled::CameraMoved),
            _ if bumped => Some(Spoiled::CameraMoved),
            _ => Some(Spoiled::Tags(misfit)),
        }
    }

    /// Mean χ² of a coordinate.
    fn chi2(&self, observed: &ObservedFrame, state: &FrameState) -> f64 {
        let chi2 = chi2_of(observed, &self.given(), state);
        chi2.iter().sum::<f64>() / (COORDINATES * chi2.len().max(1) as f64)
    }

    /// The frame with another enlargement, or another place of the camera, and the mean χ² of a coordinate then.
    fn settled_otherwise(
        &self,
        observed: &ObservedFrame,
        state: &FrameState,
        picture_moves: bool,
        camera_moves: bool,
    ) -> Option<(FrameState, f64)> {
        let mut fit = JointFit {
            layout: Layout {
                picture_moves,
                camera_moves,
                ..self.fit.layout
            },
            ..self.fit.clone()
        };
        if picture_moves {
            fit.priors.picture = PicturePrior {
                shift_sd_px: ZOOM_SHIFT_SD_PX,
                growth_sd: ZOOM_SD,
            };
        }
        let frame_fit = FrameFit::new(&fit, self.given(), START_LOSS, &self.spans_rad);
        let mut alone = observed.clone();
        alone.landmarks.clear();
        let unmoved = FrameState {
            picture: PictureMotion::default(),
            camera_from_reference: match self.camera_moves() {
                true => state.camera_from_reference,
                false => Pose::identity(),
            },
            angles_rad: state.angles_rad.clone(),
        };
        let starts = self.zoom_starts(&alone, &unmoved, picture_moves);
        let near = frame_fit.best(&alone, starts);
        let anew = match camera_moves {
            true => best_start(&fit, &frame_fit, &alone, &unmoved),
            false => None,
        };
        let both = near.into_iter().chain(anew);
        let (found, _) = both.min_by(|a, b| a.1.total_cmp(&b.1))?;
        let chi2 = self.chi2(&alone, &found);
        Some((found, chi2))
    }

    /// Starts for an enlargement: none, and as the edge of each airframe tag has it.
    fn zoom_starts(
        &self,
        observed: &ObservedFrame,
        unmoved: &FrameState,
        picture_moves: bool,
    ) -> Vec<FrameState> {
        let mut starts = vec![unmoved.clone()];
        if !picture_moves {
            return starts;
        }
        let camera = self.given().camera;
        for seen in &observed.observations {
            let Target::Airframe(tag) = seen.target else {
                continue;
            };
            let pose = unmoved.camera_from_reference * self.constants.airframe_tags[tag];
            let corners = crate::geometry::corners_in_tag(seen.edge_mm)
                .map(|corner| camera.project(&(pose * corner)));
            let [Some(a), Some(b), Some(c), Some(d)] = corners else {
                continue;
            };
            let expected_px = crate::geometry::quadrilateral::mean_edge(&[a, b, c, d]);
            let mut start = unmoved.clone();
            start.picture.growth = seen.edge_px() / expected_px - 1.0;
            starts.push(start);
        }
        starts
    }
}
