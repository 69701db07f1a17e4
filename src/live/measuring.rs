//! What a session knows by the constants of its newest fit: the present deflections, and which surfaces rest.

use std::collections::VecDeque;

use super::rest::{Moment, RestFinder, Span};
use super::watch::Watch;
use crate::conventions::{deg_from_rad, rad_from_deg};
use crate::measured::Measured;
use crate::motion::{Figures, HeldFit, HeldFrame};
use crate::tags::SightedFrame;
use crate::warning::WarningText;

/// How long deflections are kept for finding rests, s.
const KEPT_S: f64 = 1.5;
/// A gap in the frames longer than this ends a rest, s: motion in it would go unnoticed.
const LONGEST_GAP_S: f64 = 0.5;
/// A surface is learned when the ± of its travel, as far as the hinge makes it, is below this, degrees, …
const LEARNED_U_DEG: f64 = 0.1;
/// … or below this share of the travel, before a fixed camera: a deflection of 25° is then known to 0.15°, and soon
/// better …
const LEARNED_SHARE: f64 = 0.006;
/// … and from the hand, which shows hinges less well. The ± says what is left.
const LEARNED_SHARE_IN_HAND: f64 = 0.015;
/// After so much motion a hinge will hardly be known better, and counts as learned up to this share.
const LEARNED_SHARE_PATIENT: f64 = 0.03;

/// Everything by one fit.
pub(super) struct Measuring {
    pub held: HeldFit,
    pub warnings: Vec<WarningText>,
    /// Position in the fit of each declared surface that is learned, in the order of the model file.
    pub surfaces: Vec<Option<usize>>,
    /// Frames with motion that the store had seen when the fit was asked for.
    pub moved: usize,
    pub series: VecDeque<Moment>,
    /// The newest frame.
    pub now: Option<HeldFrame>,
    /// Deflections of the newest frame; `None` where something spoils all of them.
    pub figures: Option<Figures>,
    pub watch: Watch,
    finder: RestFinder,
}

impl Measuring {
    /// By a fit; `names` are the declared surfaces, and `patient` lets poorly known hinges count as learned.
    pub fn new(
        held: HeldFit,
        warnings: Vec<WarningText>,
        names: &[String],
        (moved, patient): (usize, bool),
    ) -> Self {
        let share = match (patient, held.camera_moves()) {
            (true, _) => LEARNED_SHARE_PATIENT,
            (false, true) => LEARNED_SHARE_IN_HAND,
            (false, false) => LEARNED_SHARE,
        };
        let place = |name: &String| {
            let surface = held.surfaces().position(|of_fit| of_fit == name)?;
            let travel = held.travel_rad(surface);
            let limit_rad = (share * travel.value).max(rad_from_deg(LEARNED_U_DEG));
            (travel.u() <= limit_rad).then_some(surface)
        };
        Self {
            surfaces: names.iter().map(place).collect(),
            held,
            warnings,
            moved,
            series: VecDeque::new(),
            now: None,
            figures: None,
            watch: Watch::default(),
            finder: RestFinder::default(),
        }
    }

    /// A weighted sum of deflections, by surfaces of the fit, counted from `zero` where there is one.
    pub fn deflection_deg(
        &self,
        figures: &Figures,
        zero: Option<&Figures>,
        weights: &[(usize, f64)],
    ) -> Option<Measured> {
        let rad = self.held.deflection_rad(figures, zero, weights)?;
        Some(rad.scaled(deg_from_rad(1.0)))
    }

    /// Positions in the fit of the surfaces that are learned.
    pub fn learned(&self) -> Vec<usize> {
        self.surfaces.iter().flatten().copied().collect()
    }

    /// Whether this fit is to follow another one: no surface gets lost, and no hinge gets much worse.
    pub fn is_no_worse_than(&self, other: &Self) -> bool {
        /// Travel that a fit may lose, and error that it may gain: fits of thinned frames differ a little.
        const LOST_TRAVEL: f64 = 0.85;
        const GAINED_ERROR: f64 = 1.5;
        let pairs = self.surfaces.iter().zip(&other.surfaces);
        pairs.into_iter().all(|pair| match pair {
            (_, None) => true,
            (None, Some(_)) => false,
            (Some(new), Some(old)) => {
                let (new, old) = (self.held.travel_rad(*new), other.held.travel_rad(*old));
                new.value > LOST_TRAVEL * old.value && new.sd < GAINED_ERROR * old.sd
            }
        })
    }

    /// Settles the next frame.
    pub fn look(&mut self, frame: &SightedFrame) {
        let before = self.now.take();
        let Ok(now) = self.held.settle(frame, before.as_ref()) else {
            self.figures = None;
            return;
        };
        self.watch.look(&self.held, &now);
        self.figures = now.figures.clone().filter(|_| !self.watch.spoils_all());
        if let Some(figures) = &self.figures {
            let latest_s = self.series.back().map(|last| last.time_s);
            if latest_s.is_some_and(|last_s| frame.time_s - last_s > LONGEST_GAP_S) {
                self.series.clear();
            }
            self.series.push_back(Moment {
                index: frame.index,
                time_s: frame.time_s,
                figures: figures.clone(),
            });
        }
        let oldest_s = frame.time_s - KEPT_S;
        while self.series.front().is_some_and(|it| it.time_s < oldest_s) {
            self.series.pop_front();
        }
        self.now = Some(now);
    }

    /// The rest that lasts until the newest frame, if there is one.
    pub fn rest(&mut self) -> Option<Span> {
        let learned = self.learned();
        self.finder.find(&self.series, &learned)
    }

    /// Whether a surface moved within the last moments.
    pub fn is_moving(&self, surface: usize) -> bool {
        /// Time that shows it, s: shorter than a step of a stick.
        const WITHIN_S: f64 = 0.3;
        let Some(last) = self.series.back() else {
            return false;
        };
        let first = (self.series).partition_point(|it| it.time_s < last.time_s - WITHIN_S);
        !super::rest::one_rests(&self.series, first, surface)
    }
}
