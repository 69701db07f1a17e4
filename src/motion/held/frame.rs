//! One frame settled with the constants held.

use nalgebra::{DVector, Vector2};

use super::{Figures, HeldFit};
use crate::geometry::Pose;
use crate::motion::MotionError;
use crate::motion::conclude::result::deflections;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::landmark::SeenLandmark;
use crate::motion::problem::observation::{
    Doubt, Observation, ObservedFrame, Target, observe_frame,
};
use crate::motion::problem::parameters::FrameState;
use crate::motion::problem::picture_motion::PictureMotion;
use crate::motion::problem::prediction::residual_px;
use crate::motion::problem::readout::by_readout;
use crate::motion::problem::residuals::chi2_of;
use crate::motion::select::correlated_errors::place_sd_of_frame;
use crate::motion::select::marginal::a_little_off;
use crate::motion::solve::frame_fit::FrameFit;
use crate::motion::solve::frame_start::{START_LOSS, best_start};
use crate::motion::solve::normal_equations::reduce;
use crate::tags::SightedFrame;

/// A tag that is off by less than this, px, has a figure with a larger ±: fast motion smears its picture. Tags that
/// were exchanged or stuck elsewhere are off by more.
const FARTHEST_PX: f64 = 0.5;
/// Frames further apart than this do not show how fast a tag moves between them, s.
const LONGEST_STEP_S: f64 = 0.15;

/// A frame with its own unknowns settled.
#[derive(Debug, Clone)]
pub struct HeldFrame {
    /// Time of the frame, s.
    pub time_s: f64,
    /// Every tag of the fit that was seen, surfaces and airframe.
    pub tags: Vec<HeldTag>,
    /// The deflections; `None` where the camera's pose is unknown.
    pub figures: Option<Figures>,
    pub(super) state: FrameState,
    pub(super) observed: ObservedFrame,
}

/// How well a tag fits where the constants put it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeldTag {
    /// Its id.
    pub tag_id: u32,
    /// It is on the airframe.
    pub on_airframe: bool,
    /// It fits within its errors, or is off by so little that its figure only grows less certain.
    pub fits: bool,
    /// Mean distance of its corners from where they should be, x and y, px.
    pub off_px: [f64; 2],
    /// Root mean square of the distances of all corners, px.
    pub rms_px: f64,
}

impl HeldFrame {
    /// Whether every tag that was seen fits.
    pub fn fits(&self) -> bool {
        self.tags.iter().all(|tag| tag.fits)
    }
}

impl HeldFit {
    /// Settles a frame, from where the frame before was settled.
    ///
    /// # Errors
    /// [`MotionError::NotFinite`] for corners that are no numbers.
    pub fn settle(
        &self,
        frame: &SightedFrame,
        before: Option<&HeldFrame>,
    ) -> Result<HeldFrame, MotionError> {
        let mut observed = self.observe(frame, before)?;
        let start = before.map(|before| &before.state).or(self.last.as_ref());
        let mut state = self.place(&mut observed, start);
        if !self.fit.layout.view_moves() || observed.tells_camera() {
            self.admit(&mut observed, &mut state);
        }
        let tags = self.tags(&observed, &state);
        let figures = self.figures(&observed, &state);
        Ok(HeldFrame {
            time_s: frame.time_s,
            tags,
            figures,
            state,
            observed,
        })
    }

    /// The frame's sightings as the fit takes them.
    fn observe(
        &self,
        frame: &SightedFrame,
        before: Option<&HeldFrame>,
    ) -> Result<ObservedFrame, MotionError> {
        let mut observed = observe_frame(0, frame, &self.model)?;
        if let Some(steadied) = &self.fit.steadied {
            steadied.steadier.steady(&mut observed, &frame.landmarks);
        }
        for seen in &mut observed.observations {
            let factor = self.factors.get(&seen.target).copied().unwrap_or(1.0);
            seen.whitening /= factor.sqrt();
            seen.variance_factor = factor;
        }
        let of_fit = frame.landmarks.iter().filter_map(|seen| {
            let &(landmark, sd_px) = self.landmarks.get(&seen.number)?;
            Some(SeenLandmark {
                landmark,
                number: seen.number,
                place_px: seen.place_px.coords.cast(),
                sd_px,
                by_readout_px_per_s: Vector2::zeros(),
                drive_rad: 0.0,
            })
        });
        observed.landmarks = of_fit.collect();
        self.note_motion(&mut observed, before.map(|before| &before.observed));
        Ok(observed)
    }

    /// Notes how the sightings follow the readout, from where they were in the frame before.
    fn note_motion(&self, observed: &mut ObservedFrame, before: Option<&ObservedFrame>) {
        let Some(before) = before.filter(|_| self.fit.layout.readout) else {
            return;
        };
        let step_s = observed.time_s - before.time_s;
        if step_s <= 0.0 || step_s > LONGEST_STEP_S {
            return;
        }
        for seen in &mut observed.observations {
            let mut others = before.observations.iter();
            if let Some(was) = others.find(|was| was.target == seen.target) {
                let speed = (seen.corners_px - was.corners_px) / step_s;
                seen.by_readout_px_per_s = by_readout(&self.fit.lines, seen, &speed);
            }
        }
        for seen in &mut observed.landmarks {
            if let Some(was) = before.landmark(seen.landmark) {
                let speed = (seen.place_px - was.place_px) / step_s;
                seen.by_readout_px_per_s = speed * self.fit.lines.share(&seen.place_px);
            }
        }
    }

    /// The frame's unknowns; sightings that do not fit are rejected, the worst first.
    fn place(&self, observed: &mut ObservedFrame, start: Option<&FrameState>) -> FrameState {
        let mut state = self.settled(observed, start);
        loop {
            let chi2 = chi2_of(observed, &self.given(), &state);
            let kept = observed.observations.iter().zip(&chi2).enumerate();
            // Surfaces first: an airframe tag tells the camera's pose.
            let worst = kept
                .filter(|(_, (seen, chi2))| seen.kept && **chi2 >= self.rejection_chi2)
                .max_by(|(_, a), (_, b)| {
                    let on_surface = |seen: &Observation| matches!(seen.target, Target::Surface(_));
                    (on_surface(a.0).cmp(&on_surface(b.0))).then(a.1.total_cmp(b.1))
                })
                .map(|(index, _)| index);
            let Some(worst) = worst else {
                return state;
            };
            observed.observations[worst].kept = false;
            if self.fit.layout.view_moves() {
                if !observed.tells_camera() {
                    observed.reject_all();
                    return state;
                }
                state = self.settled(observed, Some(&state));
            }
        }
    }

    /// The frame's unknowns as all kept sightings have them.
    fn settled(&self, observed: &mut ObservedFrame, start: Option<&FrameState>) -> FrameState {
        let frame_fit = FrameFit::new(&self.fit, self.given(), START_LOSS, &self.wide_spans_rad);
        let unmoved = FrameState {
            camera_from_reference: Pose::identity(),
            picture: PictureMotion::default(),
            angles_rad: vec![0.0; self.constants.surfaces.len()],
        };
        let start = start.filter(|it| it.angles_rad.len() == unmoved.angles_rad.len());
        let start = start.cloned().unwrap_or_else(|| unmoved.clone());
        let found = |observed: &ObservedFrame| {
            let near = frame_fit.best(observed, [start.clone()]);
            let good = 0.5 * self.rejection_chi2 * observed.kept().count() as f64;
            if near.as_ref().is_some_and(|(_, cost)| *cost < good) || !self.camera_moves() {
                return near;
            }
            let anew = best_start(&self.fit, &frame_fit, observed, &unmoved);
            let both = near.into_iter().chain(anew);
            both.min_by(|a, b| a.1.total_cmp(&b.1))
        };
        let mut state = found(observed).map_or_else(|| start.clone(), |(state, _)| state);
        if self.fit.layout.rocking && !observed.landmarks.is_empty() {
            // The surroundings rock with the deflection, which has to be known first.
            for seen in &mut observed.landmarks {
                seen.drive_rad = state.angles_rad[self.drive];
            }
            state = frame_fit
                .settle(observed, state.clone())
                .map_or(state, |(state, _)| state);
        }
        state
    }

    /// Lets rejected sightings of surfaces that are only a little off give their deflections.
    fn admit(&self, observed: &mut ObservedFrame, state: &mut FrameState) {
        let given = self.given();
        let rejected = observed.observations.iter_mut().filter(|seen| !seen.kept);
        for seen in rejected {
            if let Some((settled, excess)) = a_little_off(seen, state, &given, FARTHEST_PX) {
                *state = settled;
                seen.kept = true;
                seen.doubt = Some(Doubt { excess, run: 0 });
            }
        }
    }

    fn tags(&self, observed: &ObservedFrame, state: &FrameState) -> Vec<HeldTag> {
        let given = self.given();
        let tag = |seen: &Observation| {
            let miss_px = residual_px(seen, &given, state);
            let mean = |axis: usize| {
                let of_axis = |miss: nalgebra::SVector<f64, 8>| {
                    -(0..4).map(|corner| miss[2 * corner + axis]).sum::<f64>() / 4.0
                };
                miss_px.map_or(f64::INFINITY, of_axis)
            };
            HeldTag {
                tag_id: self.tag_id(seen.target),
                on_airframe: matches!(seen.target, Target::Airframe(_)),
                fits: seen.kept,
                off_px: [mean(0), mean(1)],
                rms_px: miss_px.map_or(f64::INFINITY, |miss| miss.norm() / 2.0),
            }
        };
        observed.observations.iter().map(tag).collect()
    }

    pub(super) fn tag_id(&self, target: Target) -> u32 {
        match target {
            Target::Surface(surface) => self.model.surfaces[surface].tag_id,
            Target::Airframe(tag) => self.model.airframe_tags[tag].id,
        }
    }

    fn figures(&self, observed: &ObservedFrame, state: &FrameState) -> Option<Figures> {
        if !observed.is_used() || self.fit.layout.view_moves() && !observed.tells_camera() {
            return None;
        }
        let one = JointFit {
            frames: vec![observed.clone()],
            ..self.fit.clone()
        };
        let state_of_one = State {
            constants: self.constants.clone(),
            frames: vec![state.clone()],
        };
        let reduced = reduce(&one, &state_of_one, 0.0);
        let eliminated = reduced.frames.first().filter(|_| !reduced.broken)?;
        let with = (self.signs.as_slice(), one.layout.constants(), self.variance);
        let (deflections, mut own_rad2) = deflections(observed, eliminated, state, with);
        let places = place_sd_of_frame(observed, state, &self.given(), self.place_error_sd_px);
        for (surface, deflection) in deflections.iter().enumerate() {
            let misfit = deflection.as_ref().and_then(|it| it.misfit);
            own_rad2[(surface, surface)] += misfit.map_or(0.0, |misfit| misfit.sd_rad.powi(2));
        }
        let parts = deflections.into_iter().map(|deflection| {
            deflection.map_or((None, DVector::zeros(0)), |it| {
                (Some(it.angle_rad), it.gain)
            })
        });
        let (angles_rad, gains) = parts.unzip();
        Some(Figures {
            angles_rad,
            gains,
            own_rad2,
            places_rad: places,
        })
    }
}
