//! When a session makes a fit, of what, and what changes with a new one.

use super::holds::Level;
use super::learner::{Answer, Fitted, Request};
use super::measuring::Measuring;
use super::session::LiveSession;
use super::store::{in_time, thinned};
use crate::motion::{Figures, Spoiled};
use crate::tags::{SightedFrame, Sightings};

/// Frames of a fit while the session goes on: more take longer, and hardly change a figure.
const MOST_FITTED: usize = 360;
/// Frames of each hold in such a fit.
const FITTED_OF_HOLD: usize = 6;
/// Neighbouring frames stay together in runs of so many.
const FITTED_RUN: usize = 8;
/// Frames with motion before the first fit is tried.
const FIRST_MOVED: usize = 15;
/// Time between two fits, s: until something is learned, and then.
const FIRST_FITS_S: f64 = 0.5;
const FITS_S: f64 = 1.0;
/// A fit is made again when the frames with motion have grown by this share, and by so many.
const GROWN_SHARE: f64 = 0.25;
const GROWN_LEAST: usize = 40;
/// … by less while a surface is not learned, …
const UNLEARNED_SHARE: f64 = 0.1;
/// … or when a surface goes beyond the travel of the fit by this share of it.
const BEYOND_SHARE: f64 = 0.05;
/// After so much motion a hinge counts as learned although its ± is large, s.
const PATIENT_S: f64 = 8.0;

impl LiveSession {
    /// Takes over a finished fit.
    pub(super) fn adopt(&mut self, answer: Answer) {
        let Fitted {
            held,
            warnings,
            rests,
        } = match answer.fitted {
            Ok(fitted) => fitted,
            Err(error) => {
                self.no_fit = Some(error);
                return;
            }
        };
        let surfaces = self.model.surfaces.iter();
        let names: Vec<String> = surfaces.map(|surface| surface.name.clone()).collect();
        let patient = self.store.moved_s() >= PATIENT_S;
        let mut measuring = Measuring::new(held, warnings, &names, (answer.moved, patient));
        self.no_fit = None;
        let bumped = self.is_bumped();
        if let Some(before) = &self.measuring
            && !bumped
            && !measuring.is_no_worse_than(before)
        {
            return;
        }
        self.fits += 1;
        // What follows from the constants follows from the new ones now.
        let of = |frames: &[SightedFrame]| rests.mean_of(&measuring.held, frames);
        for hold in &mut self.holds {
            hold.figures = of(&hold.frames);
        }
        let levels = [&mut self.neutral, &mut self.start, &mut self.left_from];
        for level in levels.into_iter().flatten() {
            level.figures = of(&level.frames);
        }
        self.left_from.take_if(|level| level.figures.is_none());
        let old: Vec<String> = match &self.measuring {
            Some(before) => before.held.surfaces().map(str::to_owned).collect(),
            None => vec![],
        };
        let place = |surface: usize| measuring.held.surfaces().position(|it| it == old[surface]);
        self.peaks.by_other_constants(&measuring.held, place);
        for frame in &self.recent {
            measuring.look(frame);
        }
        self.measuring = Some(measuring);
    }

    fn is_bumped(&self) -> bool {
        let named = self.measuring.as_ref().and_then(|it| it.watch.named());
        named == Some(&Spoiled::CameraMoved)
    }

    /// Asks for a fit where there is reason to.
    pub(super) fn ask_for_fit(&mut self, time_s: f64) {
        if self.learner.is_busy() || !self.is_fit_due(time_s) {
            return;
        }
        let Some(input) = &self.input else { return };
        let of_holds = self.holds.iter().flat_map(|hold| {
            let every = hold.frames.len().div_ceil(FITTED_OF_HOLD).max(1);
            hold.frames.iter().step_by(every)
        });
        let frames = in_time(self.store.frames().chain(of_holds).chain(&self.recent));
        let frames = thinned(frames, MOST_FITTED, FITTED_RUN);
        let frames: Vec<SightedFrame> = frames.into_iter().cloned().collect();
        if self.start.is_none() {
            let whole = |frame: &&SightedFrame| {
                let mut surfaces = self.model.surfaces.iter();
                surfaces.all(|surface| frame.sighting(surface.tag_id).is_some())
            };
            let first = frames.iter().find(whole).or(frames.first());
            self.start = first.map(|frame| Level {
                frames: vec![frame.clone()],
                figures: None,
            });
        }
        let levels = [&self.neutral, &self.start, &self.left_from];
        let levels = levels.into_iter().flatten().map(|level| &level.frames);
        let rests = self.holds.iter().map(|hold| &hold.frames).chain(levels);
        let rests = rests.cloned().collect();
        self.asked_s = time_s;
        self.asked_moved = self.store.moved();
        self.learner.ask(Request {
            sightings: Sightings {
                clip: input.clip.clone(),
                frames,
                overview: input.search.overview(),
            },
            model: self.model.clone(),
            profile: input.profile.clone(),
            rests,
            moved: self.store.moved(),
        });
    }

    fn is_fit_due(&self, time_s: f64) -> bool {
        let moved = self.store.moved();
        let new = moved - self.asked_moved;
        let waited_s = time_s - self.asked_s;
        let Some(measuring) = &self.measuring else {
            return moved >= FIRST_MOVED && new >= GROWN_LEAST / 4 && waited_s >= FIRST_FITS_S;
        };
        if waited_s < FITS_S {
            return false;
        }
        let grown = (GROWN_SHARE * measuring.moved as f64).max(GROWN_LEAST as f64);
        let unlearned = measuring.surfaces.iter().any(Option::is_none);
        self.is_bumped()
            || unlearned && new as f64 >= (UNLEARNED_SHARE * moved as f64).max(FIRST_MOVED as f64)
            || moved as f64 >= measuring.moved as f64 + grown.min(MOST_FITTED as f64)
                && new >= GROWN_LEAST
            || new >= FIRST_MOVED && self.goes_beyond()
    }

    /// Whether a surface is beyond the travel of the fit.
    fn goes_beyond(&self) -> bool {
        let Some(measuring) = &self.measuring else {
            return false;
        };
        let beyond = |moment: &Figures| {
            measuring.learned().into_iter().any(|surface| {
                let [from, to] = measuring.held.span_rad(surface);
                let margin = BEYOND_SHARE * (to - from);
                let angle_rad = moment.angle_rad(surface);
                angle_rad.is_some_and(|angle| angle < from - margin || angle > to + margin)
            })
        };
        measuring
            .series
            .iter()
            .any(|moment| beyond(&moment.figures))
    }
}
