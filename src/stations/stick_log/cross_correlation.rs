//! Cross-correlation of a stick log with a clip: how well the log explains the motion at each clock
//! offset.
//!
//! At each offset each surface's deflections are regressed on the first powers of the stick. The
//! unexplained share of the variance is one minus the square of the correlation, with the
//! response's bend allowed for. Frames outside the log count as unexplained, so that an offset does
//! not gain by leaving out frames.

use super::log::StickLog;
use crate::solver::LinearSums;
use crate::stations::trace::Trace;

/// Powers of the stick in a response, with the constant: as much as an arm, rod and horn need.
const POWERS: usize = 4;

/// Step between offsets that are tried, s; shorter than any move of a stick.
const STEP_S: f64 = 0.04;

/// Time between frames that are asked, s.
const FRAME_STEP_S: f64 = 0.05;

/// Offsets nearer than this are one, s: longer than a move between stations.
const APART_S: f64 = 0.5;

/// An offset with this much more unexplained variance than the best is not examined closely: lag
/// and largest speed do not explain such a share.
const HOPELESS: f64 = 0.2;

/// Weight that keeps dependent powers apart, share of the frames' weight: far below any noise.
const RIDGE_SHARE: f64 = 1e-9;

/// Fewest frames inside the log for a regression.
const FEWEST_FRAMES: usize = 3 * POWERS;

/// An offset and the share that the log leaves unexplained there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::stations) struct OffsetCandidate {
    /// Log's clock less the clip's.
    pub offset_s: f64,
    /// Share of the deflections' variance that the log leaves, 0 to 1, all surfaces together.
    pub unexplained: f64,
}

/// The best offsets, each better than all near it, best first.
pub(in crate::stations) fn candidates(
    trace: &Trace,
    log: &StickLog,
    most: usize,
) -> Vec<OffsetCandidate> {
    let clip = Thinned::new(trace);
    let (Some(&first_s), Some(&last_s)) = (clip.time_s.first(), clip.time_s.last()) else {
        return Vec::new();
    };
    let lowest_s = log.start_s() - last_s;
    let highest_s = log.end_s() - first_s;
    let steps = ((highest_s - lowest_s) / STEP_S).ceil().max(0.0) as usize;
    let tried: Vec<OffsetCandidate> = (0..=steps)
        .map(|step| lowest_s + step as f64 * STEP_S)
        .map(|offset_s| OffsetCandidate {
            offset_s,
            unexplained: clip.unexplained(log, offset_s),
        })
        .collect();
    let lowest = |triple: &[OffsetCandidate]| {
        let [before, here, after] = [triple[0], triple[1], triple[2]];
        let is_lowest = here.unexplained <= before.unexplained.min(after.unexplained);
        is_lowest.then_some(here)
    };
    let mut valleys: Vec<OffsetCandidate> = tried.windows(3).filter_map(lowest).collect();
    valleys.sort_by(|a, b| a.unexplained.total_cmp(&b.unexplained));
    let least = valleys.first().map_or(1.0, |valley| valley.unexplained);
    let mut best: Vec<OffsetCandidate> = Vec::new();
    for candidate in valleys {
        let is_near = |kept: &OffsetCandidate| (kept.offset_s - candidate.offset_s).abs() < APART_S;
        let is_hopeful = candidate.unexplained < least + HOPELESS && candidate.unexplained < 1.0;
        if best.len() < most && is_hopeful && !best.iter().any(is_near) {
            best.push(candidate);
        }
    }
    best
}

/// The deflections in fewer frames, from their mean and over their spread.
struct Thinned {
    time_s: Vec<f64>,
    /// By frame and surface.
    rows: Vec<Vec<Option<f64>>>,
    surfaces: usize,
}

impl Thinned {
    fn new(trace: &Trace) -> Self {
        let mut frames: Vec<usize> = Vec::new();
        for frame in 0..trace.len() {
            let is_due = frames
                .last()
                .is_none_or(|&last| trace.time_s[frame] - trace.time_s[last] >= FRAME_STEP_S);
            if is_due && trace.is_measured(frame) {
                frames.push(frame);
            }
        }
        let scales: Vec<(f64, f64)> = trace
            .surfaces
            .iter()
            .map(|surface| {
                let angles: Vec<f64> = frames
                    .iter()
                    .filter_map(|&frame| surface.angle_deg[frame])
                    .collect();
                let count = angles.len().max(1) as f64;
                let mean = angles.iter().sum::<f64>() / count;
                let squares: f64 = angles.iter().map(|angle| (angle - mean).powi(2)).sum();
                (mean, squares.sqrt().max(f64::MIN_POSITIVE))
            })
            .collect();
        let row = |&frame: &usize| {
            let scaled = trace.surfaces.iter().zip(&scales);
            scaled
                .map(|(surface, (mean, root))| Some((surface.angle_deg[frame]? - mean) / root))
                .collect()
        };
        Self {
            time_s: frames.iter().map(|&frame| trace.time_s[frame]).collect(),
            rows: frames.iter().map(row).collect(),
            surfaces: trace.surfaces.len(),
        }
    }

    /// Share of the variance that the log leaves at one offset, the mean over the surfaces.
    fn unexplained(&self, log: &StickLog, offset_s: f64) -> f64 {
        let mut regressions = vec![StickRegression::new(); self.surfaces];
        for (&time_s, row) in self.time_s.iter().zip(&self.rows) {
            let stick_pct = log.stick_pct(time_s + offset_s);
            for (regression, value) in regressions.iter_mut().zip(row) {
                match (stick_pct, value) {
                    (Some(stick_pct), Some(value)) => regression.add(stick_pct / 100.0, *value),
                    (None, Some(value)) => regression.outside += value * value,
                    _ => {}
                }
            }
        }
        let left: f64 = regressions.into_iter().map(StickRegression::left).sum();
        left / self.surfaces.max(1) as f64
    }
}

/// Regression of one surface on the powers of the stick.
#[derive(Clone)]
struct StickRegression {
    count: usize,
    sums: LinearSums,
    squares: f64,
    /// Sum of squares of the frames outside the log.
    outside: f64,
}

impl StickRegression {
    fn new() -> Self {
        Self {
            count: 0,
            sums: LinearSums::new(POWERS),
            squares: 0.0,
            outside: 0.0,
        }
    }

    fn add(&mut self, stick: f64, value: f64) {
        let powers: [f64; POWERS] = std::array::from_fn(|power| stick.powi(power as i32));
        self.count += 1;
        self.sums.add_all(&powers, value, 1.0);
        self.squares += value * value;
    }

    /// Sum of squares that is left.
    fn left(mut self) -> f64 {
        if self.count < FEWEST_FRAMES {
            return self.outside + self.squares;
        }
        // A stick at rest gives dependent powers.
        self.sums.add_ridge(RIDGE_SHARE);
        let explained = self.sums.explained().unwrap_or(0.0);
        self.outside + (self.squares - explained).max(0.0)
    }
}
