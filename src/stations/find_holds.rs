//! Finds the holds of a clip and the stick position of each.

use std::path::{Path, PathBuf};

use super::assemble;
use super::covered;
use super::error::StationsError;
use super::holds::Holds;
use super::labels::{Labels, cards, label_check, marks, order, swapped_labels};
use super::options::HoldOptions;
use super::rests::rest::{self, Rest};
use super::rests::{filming, settle};
use super::scene::Scene;
use super::seen_rest::SeenRest;
use super::stick_log::log::StickLog;
use super::stick_log::logged::Logged;
use super::sweeps::reference;
use super::sweeps::sweep::Sweeps;
use super::table::read_rows;
use super::trace::{Trace, span_s};
use super::warning::StationsWarning;
use crate::model_file::{ModelFile, StationSource};
use crate::motion::Motion;
use crate::tags::Sightings;

/// Finds the holds in the motion of all surfaces and the stick position of each, and the stations
/// that slow sweeps pass.
///
/// File names are relative to the model file. Rests without a station are left out, with a warning
/// each.
pub fn find_holds(
    motion: &Motion,
    sightings: &Sightings,
    model: &ModelFile,
    options: &HoldOptions,
    warnings: &mut Vec<StationsWarning>,
) -> Result<Holds, StationsError> {
    let mut trace = Trace::from_motion(motion);
    let mut rests = rest::find_rests(&trace, options);
    let level_s = model.stations.level_time_s;
    let level_frames = level_s.map(|span_s| {
        rests.retain(|rest| !is_level_rest(&trace, rest, span_s));
        (span_s, trace.take_out(span_s))
    });
    let settled: Vec<Vec<usize>> = rests
        .iter()
        .map(|rest| settle::settled_frames(&trace, rest, options))
        .collect();
    let scene = Scene {
        motion,
        trace: &trace,
        rests: &rests,
        settled: &settled,
    };
    let holds = match &model.stations.source {
        StationSource::Log(file) => scene.by_log(&beside(model, file), model, warnings),
        _ => scene
            .by_rests(sightings, model, options, warnings)
            .map_err(|error| filming::explained(error, &trace, &rests)),
    };
    Ok(Holds {
        level_frames,
        ..holds?
    })
}

/// Every time span in which all surfaces rest, whatever the stick positions are.
pub fn rests_seen(motion: &Motion, options: &HoldOptions) -> Vec<SeenRest> {
    let trace = Trace::from_motion(motion);
    let rests = rest::find_rests(&trace, options);
    rests.iter().map(|rest| rest.seen(&trace)).collect()
}

impl Scene<'_> {
    /// Holds at the rests from cards, order or marks, and sweeps between few holds.
    fn by_rests(
        &self,
        sightings: &Sightings,
        model: &ModelFile,
        options: &HoldOptions,
        warnings: &mut Vec<StationsWarning>,
    ) -> Result<Holds, StationsError> {
        let (motion, trace) = (self.motion, self.trace);
        if self.rests.is_empty() {
            return Err(StationsError::NoHold {
                shortest_rest_s: options.shortest_rest_s,
            });
        }
        let source = &model.stations.source;
        let labels = self.label(sightings, model, warnings)?;
        require_two_stations(&labels)?;
        swapped_labels::reject_swapped(&self.seen(), &labels, source)?;
        label_check::check_labels(motion, &self.seen(), &labels, warnings)?;
        let holds = assemble::in_order(self, &labels);
        let neutral_frames = assemble::neutral_frames(trace, &holds, model.stations.neutral_time_s)
            .map_err(|error| with_unknown_cards(error, warnings))?;
        let mut stick_pct = assemble::stick_by_frame(motion.frames.len(), &holds);
        let mut sweeps = Sweeps::none(motion.surfaces.len());
        if let Some((found, passed_pct)) =
            reference::sweeps_by_reference(self, model, &holds, warnings)
        {
            sweeps = found;
            for (stick, passed) in stick_pct.iter_mut().zip(passed_pct) {
                *stick = stick.or(passed);
            }
        }
        covered::doubt_travel(&holds, &sweeps, source, warnings);
        Ok(Holds {
            holds,
            neutral_frames,
            level_frames: None,
            stick_pct,
            sweeps,
            log: None,
        })
    }

    /// The stick position of each rest from cards, order or marks.
    fn label(
        &self,
        sightings: &Sightings,
        model: &ModelFile,
        warnings: &mut Vec<StationsWarning>,
    ) -> Result<Labels, StationsError> {
        match &model.stations.source {
            StationSource::Cards(stick_by_card) => {
                let pairs = self.rests.iter().zip(self.settled);
                let spans = pairs.map(|(rest, settled)| cards::CardSpan {
                    settled,
                    whole: [rest.first, rest.last],
                    time_s: span_s(self.trace, settled),
                });
                let spans: Vec<cards::CardSpan> = spans.collect();
                cards::label_by_cards(self.motion, sightings, stick_by_card, &spans, warnings)
            }
            StationSource::Order(order_pct) => {
                order::label_by_order(order_pct, &self.seen(), warnings)
            }
            StationSource::Marks(file) | StationSource::Log(file) => {
                marks::label_by_marks(&beside(model, file), &self.seen(), warnings)
            }
        }
    }

    /// Holds and sweeps from a stick log.
    fn by_log(
        &self,
        file: &Path,
        model: &ModelFile,
        warnings: &mut Vec<StationsWarning>,
    ) -> Result<Holds, StationsError> {
        let log = StickLog::read(file)?;
        let surfaces = self.motion.surfaces.iter();
        let names: Vec<String> = surfaces.map(|surface| surface.name.clone()).collect();
        let logged = Logged::new(self.trace, &log, &names)?;
        let settled = logged.still_frames(self.settled);
        let scene = Scene {
            settled: &settled,
            ..*self
        };
        let labels = logged.label(&settled);
        label_check::check_labels(self.motion, &self.seen(), &labels, warnings)?;
        let came_from = logged.came_from(&settled, &labels);
        let holds = assemble::put_together(&scene, &labels, &came_from);
        let (sweeps, stick_pct) = if logged.doubt_following(warnings) {
            let frames = self.motion.frames.len();
            let sweeps = Sweeps::none(names.len());
            (sweeps, assemble::stick_by_frame(frames, &holds))
        } else {
            (logged.sweeps(&holds, warnings)?, logged.stick_pct.clone())
        };
        let neutral_frames =
            assemble::neutral_frames(self.trace, &holds, model.stations.neutral_time_s)?;
        Ok(Holds {
            holds,
            neutral_frames,
            level_frames: None,
            sweeps,
            log: Some(logged.timing()),
            stick_pct,
        })
    }
}

/// Holds at one station alone show no response to the stick.
pub(super) fn require_two_stations(labels: &[Option<f64>]) -> Result<(), StationsError> {
    let mut stations = labels.iter().flatten();
    match stations.next() {
        Some(first) if stations.all(|other| other == first) => Err(StationsError::OneStation {
            stick_pct: *first,
            rests: labels.iter().flatten().count(),
        }),
        _ => Ok(()),
    }
}

/// Names the unknown cards of holds that were left out, where no hold is at stick 0.
fn with_unknown_cards(error: StationsError, warnings: &[StationsWarning]) -> StationsError {
    let unknown = warnings.iter().find_map(|warning| match warning {
        StationsWarning::HoldsWithoutCard { strangers, .. } => Some(strangers.clone()),
        _ => None,
    });
    match (error, unknown) {
        (StationsError::NoNeutralHold { .. }, Some(unknown_cards)) => {
            StationsError::NoNeutralHold { unknown_cards }
        }
        (error, _) => error,
    }
}

/// Whether a rest is the one in which the surfaces are held level: the most of it or of the span is in
/// both. Whoever declares the span leaves out its ends, and those are no hold either.
fn is_level_rest(trace: &Trace, rest: &Rest, [from_s, to_s]: [f64; 2]) -> bool {
    let [first_s, last_s] = [trace.time_s[rest.first], trace.time_s[rest.last]];
    let shared_s = last_s.min(to_s) - first_s.max(from_s);
    shared_s > 0.5 * (last_s - first_s).min(to_s - from_s)
}

/// Reads the table that the stations of a model file come from, if there is one, so that its faults show
/// before the long work.
///
/// # Errors
/// The table cannot be read, or is faulty.
pub fn check_table(model: &ModelFile) -> Result<(), StationsError> {
    match &model.stations.source {
        StationSource::Marks(file) => read_rows(&beside(model, file)).map(drop),
        StationSource::Log(file) => StickLog::read(&beside(model, file)).map(drop),
        StationSource::Cards(_) | StationSource::Order(_) => Ok(()),
    }
}

/// A file named in the model file, which is relative to the model file's folder.
fn beside(model: &ModelFile, file: &Path) -> PathBuf {
    match model.path.parent() {
        Some(folder) => folder.join(file),
        None => file.to_path_buf(),
    }
}
