//! What a session returns for each frame.

use super::holds::MOST_HOLDS;
use super::measuring::Measuring;
use super::session::LiveSession;
use super::state::{
    HoldFigure, LiveHold, LivePair, LiveState, LiveSurface, LiveTag, Missing, Peak, Phase, Unseen,
    View, Zero,
};
use crate::geometry::quadrilateral::mean_edge;
use crate::model_file::{MatchMotion, ModelFile};
use crate::motion::{Figures, MotionError, Spoiled};
use crate::stick::is_neutral;
use crate::tags::{DropReason, SMALLEST_EDGE_PX, SightedFrame};

impl LiveState {
    /// Before the first frame.
    pub(super) fn before(model: &ModelFile) -> Self {
        let unseen = |tag_id: u32| LiveTag {
            tag_id,
            corners_px: None,
            unseen: Some(Unseen::NotFound),
        };
        Self {
            phase: Phase::Looking,
            time_s: None,
            missing: vec![],
            view: View::Unknown,
            zero: Zero::Start,
            zero_of_holds: Zero::Start,
            surfaces: (model.surfaces.iter())
                .map(|surface| LiveSurface {
                    name: surface.name.clone(),
                    tag: unseen(surface.tag_id),
                    learned: false,
                    deflection_deg: None,
                    moving: false,
                    hinge_px: None,
                    peak: None,
                })
                .collect(),
            airframe_tags: model
                .airframe_tags
                .iter()
                .map(|tag| unseen(tag.id))
                .collect(),
            pairs: vec![],
            holds: vec![],
            holding: false,
            at_rest: false,
            next_station_pct: None,
            stations_left: 0,
            fits: 0,
            fitting: false,
            warnings: vec![],
            automatic: true,
        }
    }
}

impl LiveSession {
    /// Puts the state together anew.
    pub(super) fn refresh(&mut self) {
        let mut state = LiveState::before(&self.model);
        state.time_s = self.state.time_s;
        self.show_tags(&mut state);
        let of_holds = self.zero_of_holds();
        let set = self.set_zero();
        let (kind, zero) = set.as_ref().unwrap_or(&of_holds);
        state.zero = *kind;
        if let Some(measuring) = &self.measuring {
            self.show_figures(&mut state, measuring, zero.as_ref());
            state.view = match measuring.held.camera_moves() {
                true => View::Moving,
                false => View::Fixed,
            };
            state.warnings.clone_from(&measuring.warnings);
        }
        let (kind, zero) = &of_holds;
        state.zero_of_holds = *kind;
        state.holds = self.shown_holds(zero.as_ref());
        state.holding = self.holding;
        state.at_rest = self.at_rest;
        state.next_station_pct = self.stations.next_pct();
        state.stations_left = self.stations.left();
        state.fits = self.fits;
        state.fitting = self.learner.is_busy();
        state.automatic = self.automatic;
        let learned = state.surfaces.iter().any(|surface| surface.learned);
        let sees_surface = |surface: &LiveSurface| surface.tag.corners_px.is_some();
        state.phase = match (learned, state.surfaces.iter().any(sees_surface)) {
            (true, _) => Phase::Measuring,
            (false, true) => Phase::Learning,
            (false, false) => Phase::Looking,
        };
        state.missing = self.missing(&state);
        self.state = state;
    }

    fn show_tags(&self, state: &mut LiveState) {
        let newest = self.recent.back();
        let tags = state.surfaces.iter_mut().map(|surface| &mut surface.tag);
        for tag in tags.chain(&mut state.airframe_tags) {
            let Some(frame) = newest else { continue };
            let seen = frame.sighting(tag.tag_id);
            tag.corners_px = seen.map(|seen| seen.corners_px);
            tag.unseen = match seen {
                Some(_) => None,
                None => Some(self.why_unseen(frame, tag.tag_id)),
            };
        }
    }

    fn why_unseen(&self, frame: &SightedFrame, tag_id: u32) -> Unseen {
        let dropped = frame.dropped.iter().find(|it| it.tag_id == tag_id);
        let reason = dropped.map_or(DropReason::NotFound, |it| it.reason);
        let last = self.recent.iter().rev().find_map(|it| it.sighting(tag_id));
        let last_px = last.map(|seen| mean_edge(&seen.corners_px));
        let square_px = self.largest_other_square_px();
        match (reason, last_px) {
            // A square that is too small to be read may be the tag.
            (DropReason::NotFound, None) if square_px > 0.0 && square_px < SMALLEST_EDGE_PX => {
                Unseen::of(DropReason::TooSmall, Some(square_px))
            }
            (DropReason::TooSmall, last_px) => {
                let square_px = (square_px > 0.0).then_some(square_px);
                let small = |px: &f64| *px < SMALLEST_EDGE_PX;
                Unseen::of(reason, last_px.or(square_px).filter(small))
            }
            (reason, last_px) => Unseen::of(reason, last_px),
        }
    }

    /// What the deflections of holds are counted from, as in the finished measurement: the holds at neutral stick,
    /// without any neutral as it was set, and without that from where the session began.
    fn zero_of_holds(&self) -> (Zero, Option<Figures>) {
        let at_neutral = self.holds.iter().filter(|it| is_neutral(it.stick_pct));
        let figures: Vec<&Figures> = at_neutral.filter_map(|it| it.figures.as_ref()).collect();
        let held = self.measuring.as_ref().map(|it| &it.held);
        if let Some(mean) = held.and_then(|held| held.mean_of_rests(&figures)) {
            return (Zero::Holds, Some(mean));
        }
        self.set_zero().unwrap_or_else(|| {
            let start = self.start.as_ref().and_then(|it| it.figures.clone());
            (Zero::Start, start)
        })
    }

    /// Neutral as it was set: present deflections are counted from it.
    fn set_zero(&self) -> Option<(Zero, Option<Figures>)> {
        let neutral = self.neutral.as_ref()?;
        let [_, time_s] = neutral.time_s()?;
        Some((Zero::Set { time_s }, neutral.figures.clone()))
    }

    fn show_figures(&self, state: &mut LiveState, measuring: &Measuring, zero: Option<&Figures>) {
        for (index, shown) in state.surfaces.iter_mut().enumerate() {
            let Some(surface) = measuring.surfaces[index] else {
                continue;
            };
            shown.learned = true;
            shown.moving = measuring.is_moving(surface);
            let Some(now) = &measuring.now else { continue };
            let in_degrees =
                |figures: &Figures| measuring.deflection_deg(figures, zero, &[(surface, 1.0)]);
            shown.deflection_deg = measuring.figures.as_ref().and_then(in_degrees);
            shown.hinge_px = measuring.held.hinge_px(now, surface);
            shown.peak = self.peaks.of(surface).and_then(|[least, most]| {
                Some(Peak {
                    least_deg: in_degrees(&least.figures)?,
                    most_deg: in_degrees(&most.figures)?,
                })
            });
            let tag_id = shown.tag.tag_id;
            let misfits = now.tags.iter().any(|tag| tag.tag_id == tag_id && !tag.fits);
            if misfits {
                shown.tag.unseen = Some(Unseen::OffItsHinge);
            }
        }
        state.pairs = self.pairs(measuring, zero);
    }

    fn pairs(&self, measuring: &Measuring, zero: Option<&Figures>) -> Vec<LivePair> {
        let Some(figures) = &measuring.figures else {
            return vec![];
        };
        let place = |name: &String| {
            let surface = self.model.surfaces.iter().position(|it| it.name == *name)?;
            measuring.surfaces[surface]
        };
        let groups = self.model.matches.iter();
        let pairs = groups.flat_map(|group| {
            group.followers.iter().filter_map(move |follower| {
                let sign = match group.motion {
                    MatchMotion::Same => -1.0,
                    MatchMotion::Opposite => 1.0,
                };
                let weights = [(place(follower)?, 1.0), (place(&group.reference)?, sign)];
                Some(LivePair {
                    reference: group.reference.clone(),
                    follower: follower.clone(),
                    difference_deg: measuring.deflection_deg(figures, zero, &weights)?,
                    tolerance_deg: group.tolerance_deg,
                })
            })
        });
        pairs.collect()
    }

    fn shown_holds(&self, zero: Option<&Figures>) -> Vec<LiveHold> {
        let holds = self.holds.iter().map(|hold| LiveHold {
            stick_pct: hold.stick_pct,
            time_s: hold.time_s(),
            by_hand: hold.by_hand,
            figures: match (&self.measuring, &hold.figures) {
                (Some(measuring), Some(figures)) => self.hold_figures(measuring, figures, zero),
                _ => vec![],
            },
        });
        holds.collect()
    }

    fn hold_figures(
        &self,
        measuring: &Measuring,
        figures: &Figures,
        zero: Option<&Figures>,
    ) -> Vec<HoldFigure> {
        let surfaces = self.model.surfaces.iter().zip(&measuring.surfaces);
        let shown = surfaces.filter_map(|(declared, surface)| {
            let weights = [((*surface)?, 1.0)];
            Some(HoldFigure {
                surface: declared.name.clone(),
                deflection_deg: measuring.deflection_deg(figures, zero, &weights)?,
            })
        });
        shown.collect()
    }

    /// What is missing for figures, or spoils them, the most important first.
    fn missing(&self, state: &LiveState) -> Vec<Missing> {
        let mut missing = vec![];
        if self.recent.is_empty() {
            return missing;
        }
        missing.extend(self.twice.map(|tag_id| Missing::TagTwice { tag_id }));
        self.add_spoiled(&mut missing);
        for surface in &state.surfaces {
            let unseen = surface.tag.unseen.filter(|why| *why != Unseen::OffItsHinge);
            missing.extend(unseen.map(|why| Missing::Tag {
                tag_id: surface.tag.tag_id,
                surface: Some(surface.name.clone()),
                why,
            }));
        }
        for tag in &state.airframe_tags {
            missing.extend(tag.unseen.map(|why| Missing::Tag {
                tag_id: tag.tag_id,
                surface: None,
                why,
            }));
        }
        if self.model.airframe_tags.is_empty() {
            missing.push(Missing::AirframeTag);
        }
        let undeclared = self.undeclared().into_iter();
        missing.extend(undeclared.map(|tag_id| Missing::Undeclared { tag_id }));
        self.add_unlearned(&mut missing, state);
        if self.waits_for_station {
            let by_card = self.stations.by_cards();
            missing.push(Missing::Station { by_card });
        }
        if self.holds.len() >= MOST_HOLDS {
            missing.push(Missing::TooManyHolds);
        }
        missing
    }

    fn add_spoiled(&self, missing: &mut Vec<Missing>) {
        let Some(measuring) = &self.measuring else {
            return;
        };
        match measuring.watch.named() {
            Some(Spoiled::CameraMoved) => missing.push(Missing::CameraBumped),
            Some(Spoiled::Zoom(factor)) => missing.push(Missing::ZoomChanged { factor: *factor }),
            Some(Spoiled::Tags(_)) | None => {}
        }
        for tag_id in measuring.watch.exchanged(measuring.now.as_ref()) {
            let surface = self.model.surfaces.iter().find(|it| it.tag_id == tag_id);
            missing.push(Missing::TagExchanged {
                tag_id,
                surface: surface.map(|surface| surface.name.clone()),
            });
        }
    }

    /// Surfaces whose hinges are not known, and why.
    fn add_unlearned(&self, missing: &mut Vec<Missing>, state: &LiveState) {
        let unlearned = state.surfaces.iter().filter(|surface| !surface.learned);
        let unlearned: Vec<String> = unlearned.map(|surface| surface.name.clone()).collect();
        if unlearned.is_empty() {
            return;
        }
        let of_whole = self.no_fit.as_ref().filter(|error| !is_of_travel(error));
        missing.push(match of_whole {
            Some(error) => Missing::Fit {
                why: error.to_string(),
            },
            None => Missing::Travel {
                surfaces: unlearned,
            },
        });
    }
}

/// Whether more travel cures it.
fn is_of_travel(error: &MotionError) -> bool {
    matches!(
        error,
        MotionError::AtRest { .. }
            | MotionError::TravelTooSmall { .. }
            | MotionError::TooFewFrames { .. }
            | MotionError::SeveralLeftOut { .. }
            | MotionError::SurfaceNeverSeen { .. }
            | MotionError::NoHinge { .. }
            | MotionError::HingeUndetermined { .. }
            | MotionError::Undetermined { .. }
    )
}
