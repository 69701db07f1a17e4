//! Course: how far the job of an aircraft is, and what comes next.

use std::collections::BTreeSet;

use super::Bench;
use super::line::{Entry, Order, State};
use super::ticks;
use super::workshop::{Aircraft, Measured};
use crate::report::{Headline, Judgement};

/// How far the job of one aircraft is.
pub struct Course {
    /// The aircraft.
    pub aircraft: Aircraft,
    /// Its measurements, the latest first, without those of the record.
    pub measured: Vec<Measured>,
    /// Those of the record, the latest first.
    pub kept: Vec<Measured>,
    /// The latest of them.
    pub latest: Option<Measured>,
    /// The last of its orders in the line.
    pub ordered: Option<Entry>,
    /// Whether its tags were printed and measured, as the person says.
    pub is_printed: bool,
    /// Whether there is a camera profile.
    pub has_camera: bool,
    /// Whether the latest measurement is in the record.
    pub is_kept: bool,
    /// Numbers of the latest measurement that were ticked off.
    pub ticked: BTreeSet<String>,
}

/// What comes next.
#[derive(Debug, Clone, PartialEq)]
pub struct Next {
    /// What to do.
    pub words: &'static str,
    /// Why.
    pub why: String,
    /// Where it is done.
    pub href: String,
}

impl Course {
    /// The course of an aircraft, from the files of the folder.
    pub fn of(bench: &Bench, aircraft: Aircraft) -> Self {
        let has_camera = bench.workshop.has_camera();
        Self::among(bench, aircraft, &bench.workshop.measurements(), has_camera)
    }

    /// The course of the aircraft that a measurement names, where its file is there.
    pub fn of_model(bench: &Bench, model: &str) -> Option<Self> {
        let aircraft = bench.workshop.aircraft_named(model)?;
        Some(Self::of(bench, aircraft))
    }

    /// The courses of all aircraft; the folder is searched once.
    pub fn all(bench: &Bench) -> Vec<Self> {
        let has_camera = bench.workshop.has_camera();
        let measurements = bench.workshop.measurements();
        let course = |aircraft| Self::among(bench, aircraft, &measurements, has_camera);
        bench.workshop.aircraft().into_iter().map(course).collect()
    }

    fn among(
        bench: &Bench,
        aircraft: Aircraft,
        measurements: &[Measured],
        has_camera: bool,
    ) -> Self {
        let name = aircraft.name();
        let own = measurements.iter();
        let own = own.filter(|measured| measured.measurement.model == name);
        let (kept, measured): (Vec<_>, Vec<_>) =
            own.cloned().partition(|measured| measured.is_kept);
        let mut orders = bench.line.entries();
        orders.retain(|entry| match &entry.order {
            Order::Measure(order) => order.aircraft == aircraft.file,
            Order::Calibrate(_) => false,
        });
        let latest = measured.first().cloned();
        let is_latest = |kept: &Measured| {
            let latest = latest.as_ref();
            latest.is_some_and(|latest| kept.measurement == latest.measurement)
        };
        Self {
            is_kept: kept.iter().any(is_latest),
            ticked: latest.as_ref().map_or_else(BTreeSet::new, |measured| {
                ticks::read(&bench.store, &measured.id)
            }),
            is_printed: ticks::read(&bench.store, &aircraft.id).contains(ticks::PRINTED),
            has_camera,
            ordered: orders.pop(),
            measured,
            kept,
            latest,
            aircraft,
        }
    }

    /// Whether all numbers of the latest measurement are ticked off, or there are none.
    pub fn is_entered(&self) -> bool {
        let latest = self.latest.as_ref();
        latest.is_some_and(|measured| ticks::all_ticked(&measured.measurement, &self.ticked))
    }

    /// Whether the latest measurement found both sides alike.
    pub fn is_alike(&self) -> bool {
        let latest = self.latest.as_ref();
        latest.is_some_and(|measured| Judgement::all_alike(&measured.measurement))
    }

    /// What was done last.
    pub fn last(&self) -> String {
        let Some(measured) = &self.latest else {
            return String::new();
        };
        let day = measured
            .measurement
            .date
            .as_deref()
            .unwrap_or("an unknown day");
        let found = Headline::of(&measured.measurement).words;
        format!("Last measured on {day}: {}.", lower_first(found))
    }

    /// What comes next.
    pub fn next(&self) -> Next {
        let id = &self.aircraft.id;
        let here = |page: &str| format!("/aircraft/{id}/{page}");
        let next = |words, href, why: &str| Next {
            words,
            href,
            why: why.into(),
        };
        if self.aircraft.model.is_err() {
            return next(
                "Correct the model file",
                here("edit"),
                "The model file has faults.",
            );
        }
        if let Some(next) = self.in_line() {
            return next;
        }
        let Some(latest) = &self.latest else {
            return self.before_first_clip();
        };
        let measurement = format!("/measurements/{}", latest.id);
        if latest.measurement.has_grave_warning() {
            let why = "A warning says that the figures of the last clip may be wrong.";
            return next("Read the warning", measurement, why);
        }
        if !self.is_entered() {
            let why =
                "The last measurement gave numbers to enter, and some are not ticked off yet.";
            return next("Enter the numbers", measurement + "/numbers", why);
        }
        if self.is_alike() && self.is_kept {
            let why = "Both sides move alike, and the measurement is in the record. Film again when \
                       something was changed, or before the next season.";
            return next("Film again", here("film"), why);
        }
        if self.is_alike() {
            let why = "Both sides move alike. Keep the measurement in the record, so that later ones \
                       can be compared with it.";
            return next("Keep the measurement", measurement, why);
        }
        if latest.measurement.matches.is_empty() {
            let why = "The last measurement has no surfaces that are matched with each other.";
            return next("Read the report", measurement, why);
        }
        let why =
            "The numbers are entered. A second measurement shows whether they act as they should.";
        match self.is_carried() {
            true => next("Film again", here("film"), why),
            false => next("Film again", measurement + "/numbers", why),
        }
    }

    /// Whether the model file says that the numbers of the latest measurement are entered.
    fn is_carried(&self) -> bool {
        let model = self.aircraft.model.as_ref().ok();
        let radio = model.and_then(|model| model.radio.as_ref());
        let latest = self.latest.as_ref();
        latest.zip(radio).is_some_and(|(latest, radio)| {
            let mut corrections = latest.measurement.matches.iter();
            corrections.all(|one| radio.active.get(&one.follower) == Some(&one.settings))
        })
    }

    fn in_line(&self) -> Option<Next> {
        let ordered = self.ordered.as_ref()?;
        let href = format!("/measurements/{}", ordered.id);
        let (words, why) = match &ordered.state {
            State::Waiting | State::Running => {
                ("Watch the measurement", "A clip is being measured.")
            }
            State::Failed {
                interrupted: true, ..
            } => (
                "Continue measuring",
                "The program ended while a clip was being measured.",
            ),
            State::Failed { .. } => (
                "See why measuring failed",
                "The last clip could not be measured.",
            ),
        };
        Some(Next {
            words,
            why: why.into(),
            href,
        })
    }

    fn before_first_clip(&self) -> Next {
        let id = &self.aircraft.id;
        let (words, href, why) = if !self.is_printed {
            let why = "Each surface needs its tag. The kit holds all of them, named by surface.";
            ("Print the kit", format!("/aircraft/{id}/print"), why)
        } else if !self.has_camera {
            let why = "A profile of the camera is needed to measure angles in its pictures.";
            ("Calibrate the camera", "/camera/new".into(), why)
        } else {
            let why = "All is ready for the first clip.";
            ("Film", format!("/aircraft/{id}/film"), why)
        };
        Next {
            words,
            href,
            why: why.into(),
        }
    }
}

fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters
        .next()
        .map(|letter| letter.to_lowercase().to_string());
    first.unwrap_or_default() + letters.as_str()
}
