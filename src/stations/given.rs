//! Holds whose spans and stick positions are known before the motion is.

use super::assemble;
use super::covered;
use super::error::StationsError;
use super::find_holds::require_two_stations;
use super::holds::Holds;
use super::labels::label_check;
use super::rests::rest::Rest;
use super::scene::Scene;
use super::sweeps::sweep::Sweeps;
use super::trace::Trace;
use super::warning::StationsWarning;
use crate::model_file::ModelFile;
use crate::motion::Motion;

/// Stick position and span of a hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GivenHold {
    /// Stick position, percent.
    pub stick_pct: f64,
    /// First and last time of its settled frames, s.
    pub time_s: [f64; 2],
}

/// The holds as given, in time, and neutral. Holds without a measured frame are left out.
///
/// # Errors
/// Fewer than two stations, no hold at neutral, and stations that contradict the deflections.
pub fn holds_as_given(
    motion: &Motion,
    given: &[GivenHold],
    model: &ModelFile,
    warnings: &mut Vec<StationsWarning>,
) -> Result<Holds, StationsError> {
    let trace = Trace::from_motion(motion);
    let (mut rests, mut settled, mut labels) = (Vec::new(), Vec::new(), Vec::new());
    for hold in given {
        let [from_s, to_s] = hold.time_s;
        let inside = |frame: &usize| (from_s..=to_s).contains(&trace.time_s[*frame]);
        let frames = (0..trace.len()).filter(|frame| trace.is_measured(*frame));
        let frames: Vec<usize> = frames.filter(inside).collect();
        let (Some(&first), Some(&last)) = (frames.first(), frames.last()) else {
            continue;
        };
        rests.push(Rest {
            first,
            last,
            levels_deg: trace.levels_deg(first, last),
        });
        settled.push(frames);
        labels.push(Some(hold.stick_pct));
    }
    let scene = Scene {
        motion,
        trace: &trace,
        rests: &rests,
        settled: &settled,
    };
    require_two_stations(&labels)?;
    label_check::check_labels(motion, &scene.seen(), &labels, warnings)?;
    let holds = assemble::in_order(&scene, &labels);
    let neutral_frames = assemble::neutral_frames(&trace, &holds, model.stations.neutral_time_s)?;
    let sweeps = Sweeps::none(motion.surfaces.len());
    covered::doubt_travel(&holds, &sweeps, &model.stations.source, warnings);
    Ok(Holds {
        stick_pct: assemble::stick_by_frame(motion.frames.len(), &holds),
        holds,
        neutral_frames,
        level_frames: None,
        sweeps,
        log: None,
    })
}
