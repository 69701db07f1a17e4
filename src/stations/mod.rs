//! Stations: assigns frames to holds, and holds to stick positions.
//!
//! 1. `trace` extracts the deflections over time and estimates their noise.
//! 2. `rest` finds the spans in which all surfaces rest, from their motion alone.
//! 3. `settle` leaves out settling and the frames next to a move.
//! 4. `cards`, `order` or `marks` label each rest with its stick position.
//! 5. For a stick log, `log`, `cross_correlation` and `clock` (with `servo` and `response_fit`) align it with
//!    the motion; `logged` labels rests and sweeps from it.
//! 6. `sweep` finds the stations that a slowly moved stick passes; without a log, `reference`
//!    computes the stick between few holds.
//! 7. `assemble` combines holds and neutral, `label_check` checks the labels, `swapped_labels` detects swapped
//!    labels, `covered` missing parts of the travel.
//! 8. `given` takes holds that are known before the motion is.
//! 9. `filming` names mistakes in filming that explain an error.

mod assemble;
mod cards;
mod clock;
mod consistency;
mod covered;
mod cross_correlation;
mod error;
mod filming;
mod given;
mod label_check;
mod log;
mod logged;
mod marks;
mod order;
mod reference;
mod response_fit;
mod rest;
mod servo;
mod settle;
mod swapped_labels;
mod sweep;
mod table;
#[cfg(test)]
pub(crate) mod test_motion;
mod trace;
mod warning;

#[cfg(test)]
mod rate_tests;
#[cfg(test)]
mod tests;

pub use error::{CardConflict, RowFault, SeenRest, StationsError};
pub use given::{GivenHold, holds_as_given};
pub use logged::{LogTiming, SurfaceTiming};
pub use sweep::{Passage, Sweeps};
pub use warning::StationsWarning;

use serde::{Deserialize, Serialize};

use crate::model_file::{ModelFile, StationSource};
use crate::motion::Motion;
use crate::tags::Sightings;
use log::StickLog;
use logged::Logged;
use rest::Rest;
use trace::Trace;

/// The way the stick came to a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Approach {
    /// From a lower stick position.
    Rising,
    /// From a higher stick position.
    Falling,
    /// The clip's first hold: not known.
    First,
}

/// A time span in which the stick rested at a station.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// Stick position.
    pub stick_pct: f64,
    /// The way the stick came.
    pub approach: Approach,
    /// Positions in `Motion::frames` of the settled frames, rising.
    pub frames: Vec<usize>,
    /// First and last time of the settled frames.
    pub time_s: [f64; 2],
}

/// All holds in time, and the frames that define neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct Holds {
    /// In time.
    pub holds: Vec<Hold>,
    /// Positions in `Motion::frames` of all settled frames at stick 0, or of the declared span.
    pub neutral_frames: Vec<usize>,
    /// The declared span in which the surfaces were held level, and its frames in `Motion::frames`.
    pub level_frames: Option<([f64; 2], Vec<usize>)>,
    /// Stick position of every frame of `Motion::frames`, where known.
    pub stick_pct: Vec<Option<f64>>,
    /// Stations that slow sweeps pass.
    pub sweeps: Sweeps,
    /// Alignment of the stick log in the clip's time, if there is one.
    pub log: Option<LogTiming>,
}

/// How holds are found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldOptions {
    /// Time after the arrival at a station that is left out: servo lag, ringing, creep.
    pub settle_s: f64,
    /// Time before the departure to the next station that is left out: the stick already moves.
    pub guard_s: f64,
    /// Shortest time of rest that counts as a hold.
    pub shortest_rest_s: f64,
}

impl Default for HoldOptions {
    /// Times that suit a stick moved by hand and common servos; common practice, no source.
    fn default() -> Self {
        Self {
            settle_s: 0.2,
            guard_s: 0.08,
            shortest_rest_s: 0.2,
        }
    }
}

/// Stick position of each rest, if assigned.
type Labels = Vec<Option<f64>>;

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
        rests.retain(|rest| !lies_in(&trace, rest, span_s));
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
    rests.iter().map(|rest| seen_rest(&trace, rest)).collect()
}

/// The rests of a clip, before any stick position is assigned.
#[derive(Clone, Copy)]
struct Scene<'a> {
    motion: &'a Motion,
    trace: &'a Trace,
    rests: &'a [Rest],
    /// Settled frames of each rest.
    settled: &'a [Vec<usize>],
}

impl Scene<'_> {
    fn seen(&self) -> Vec<SeenRest> {
        let rests = self.rests.iter();
        rests.map(|rest| seen_rest(self.trace, rest)).collect()
    }

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
        let mut came_from = vec![None];
        came_from.extend_from_slice(&labels);
        let holds = assemble::put_together(self, &labels, &came_from);
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
                cards::tell_by_cards(self.motion, sightings, stick_by_card, &spans, warnings)
            }
            StationSource::Order(order_pct) => {
                order::tell_by_order(order_pct, &self.seen(), warnings)
            }
            StationSource::Marks(file) | StationSource::Log(file) => {
                marks::tell_by_marks(&beside(model, file), &self.seen(), warnings)
            }
        }
    }

    /// Holds and sweeps from a stick log.
    fn by_log(
        &self,
        file: &std::path::Path,
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
fn require_two_stations(labels: &[Option<f64>]) -> Result<(), StationsError> {
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
fn lies_in(trace: &Trace, rest: &Rest, [from_s, to_s]: [f64; 2]) -> bool {
    let [first_s, last_s] = [trace.time_s[rest.first], trace.time_s[rest.last]];
    let shared_s = last_s.min(to_s) - first_s.max(from_s);
    shared_s > 0.5 * (last_s - first_s).min(to_s - from_s)
}

/// A file named in the model file, which is relative to the model file's folder.
fn beside(model: &ModelFile, file: &std::path::Path) -> std::path::PathBuf {
    match model.path.parent() {
        Some(folder) => folder.join(file),
        None => file.to_path_buf(),
    }
}

fn seen_rest(trace: &Trace, rest: &Rest) -> SeenRest {
    SeenRest {
        time_s: [trace.time_s[rest.first], trace.time_s[rest.last]],
        deflection_deg: rest.levels_deg.clone(),
    }
}

/// First and last time of some frames.
fn span_s(trace: &Trace, frames: &[usize]) -> [f64; 2] {
    let time = |frame: Option<&usize>| frame.map_or(f64::NAN, |&frame| trace.time_s[frame]);
    [time(frames.first()), time(frames.last())]
}
