//! Finds the spans in which all surfaces rest, from their deflections alone.
//!
//! Every frame either belongs to a rest, in which each surface keeps one level, or to a move. The
//! partition with the least cost is found exactly by dynamic programming: a frame at rest costs
//! its squared distance from the level in standard deviations, a frame on the move a fixed price,
//! and every rest a fee. Cumulative sums make a span's cost a matter of a few operations, and
//! starts that can no longer win are dropped (the pruning of Killick, Fearnhead and Eckley,
//! "Optimal detection of changepoints with a linear computational cost", JASA 107 (2012) 1590).

use crate::stations::constants::{
    BRIEF_CREEP_SIGMAS, BRIEF_REST_S, CREEP_MARGIN, CREEP_SIGMAS, FASTEST_CREEP_DEG_PER_S,
    SOFT_END_DEG,
};
use crate::stations::constants::{
    INDEPENDENT_S, LONGEST_UNSEEN_S, MOVE_PRICE, REST_FEE, SAME_LEVEL_DEG, SAME_REST_GAP_S,
};
use crate::stations::options::HoldOptions;
use crate::stations::seen_rest::SeenRest;
use crate::stations::trace::Trace;
use crate::statistics::{LineSlope, SD_FROM_MAD, median};

/// Intervals down to this share of [`INDEPENDENT_S`] are as long: times are rounded.
const ROUNDED_SHARE: f64 = 0.9;

/// Fewest measured frames of a rest.
const FEWEST_FRAMES: usize = 3;

/// A span in which all surfaces rest, settling included.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::stations) struct Rest {
    /// First frame near the level.
    pub first: usize,
    /// Last frame near the level.
    pub last: usize,
    /// Median deflection of each surface, where it was measured.
    pub levels_deg: Vec<Option<f64>>,
}

impl Rest {
    /// When it was, and where the surfaces rested.
    pub fn seen(&self, trace: &Trace) -> SeenRest {
        SeenRest {
            time_s: [trace.time_s[self.first], trace.time_s[self.last]],
            deflection_deg: self.levels_deg.clone(),
        }
    }
}

/// All rests, in time.
pub(in crate::stations) fn find_rests(trace: &Trace, options: &HoldOptions) -> Vec<Rest> {
    let mut rests = partition(trace, options);
    // A second look with the noise that the rests themselves show: slow shake is in it.
    let mut shaken = trace.clone();
    if widen_noise(&mut shaken, &rests) {
        rests = partition(&shaken, options);
    }
    rests.retain(|rest| !creeps(trace, rest));
    without_soft_ends(trace, &rests)
}

/// Leaves out the slow ends of moves that were taken for brief rests.
fn without_soft_ends(trace: &Trace, rests: &[Rest]) -> Vec<Rest> {
    let adjoins =
        |rest: &Rest, other: &Rest| other.first == rest.last + 1 || rest.first == other.last + 1;
    let is_soft_end = |rest: &Rest| {
        is_brief(trace, rest)
            && rests.iter().any(|other| {
                adjoins(rest, other)
                    && lasting_s(trace, other) > lasting_s(trace, rest)
                    && levels_agree(rest, other, SOFT_END_DEG)
            })
    };
    let kept = rests.iter().filter(|rest| !is_soft_end(rest));
    kept.cloned().collect()
}

fn lasting_s(trace: &Trace, rest: &Rest) -> f64 {
    trace.time_s[rest.last] - trace.time_s[rest.first]
}

fn is_brief(trace: &Trace, rest: &Rest) -> bool {
    lasting_s(trace, rest) < BRIEF_REST_S
}

fn partition(trace: &Trace, options: &HoldOptions) -> Vec<Rest> {
    let spans = cheapest_spans(trace, options.shortest_rest_s);
    merge_parts(trace, spans)
}

/// Cumulative sums over the frames, per surface, of weight, weight × angle, weight × angle².
struct LevelSums {
    weight: Vec<Vec<[f64; 3]>>,
    measured: Vec<usize>,
    /// Measured deflections, each weighted by its frame.
    evidence: Vec<f64>,
}

impl LevelSums {
    fn new(trace: &Trace) -> Self {
        let mut measured = vec![0; trace.len() + 1];
        let mut evidence = vec![0.0; trace.len() + 1];
        let shares = evidence_shares(&trace.time_s);
        let weight = trace
            .surfaces
            .iter()
            .map(|surface| {
                // LevelSums of squares lose digits far from zero, so each surface is counted from its middle.
                let middle = median(surface.angle_deg.iter().flatten().copied()).unwrap_or(0.0);
                let mut sums = Vec::with_capacity(trace.len() + 1);
                let mut sum = [0.0; 3];
                sums.push(sum);
                for (frame, angle) in surface.angle_deg.iter().enumerate() {
                    if let Some(angle) = angle {
                        let weight = shares[frame] * surface.sd_deg[frame].powi(-2);
                        let off = angle - middle;
                        sum[0] += weight;
                        sum[1] += weight * off;
                        sum[2] += weight * off * off;
                        measured[frame + 1] += 1;
                        evidence[frame + 1] += shares[frame];
                    }
                    sums.push(sum);
                }
                sums
            })
            .collect();
        for frame in 0..trace.len() {
            measured[frame + 1] += measured[frame];
            evidence[frame + 1] += evidence[frame];
        }
        Self {
            weight,
            measured,
            evidence,
        }
    }

    /// Least weighted sum of squares about one level per surface, frames `from..to`.
    fn rest_cost(&self, from: usize, to: usize) -> f64 {
        self.weight
            .iter()
            .map(|sums| {
                let weight = sums[to][0] - sums[from][0];
                let first = sums[to][1] - sums[from][1];
                let second = sums[to][2] - sums[from][2];
                if weight > 0.0 {
                    (second - first * first / weight).max(0.0)
                } else {
                    0.0
                }
            })
            .sum()
    }

    fn measured(&self, from: usize, to: usize) -> usize {
        self.measured[to] - self.measured[from]
    }
}

/// Weight of each frame: 1, or less at high frame rates.
fn evidence_shares(time_s: &[f64]) -> Vec<f64> {
    let last = time_s.len().saturating_sub(1);
    let share = |frame: usize| {
        let (before, after) = (frame.saturating_sub(1), (frame + 1).min(last));
        let interval_s = (time_s[after] - time_s[before]) / (after - before).max(1) as f64;
        let share = interval_s / INDEPENDENT_S;
        if share < ROUNDED_SHARE { share } else { 1.0 }
    };
    (0..time_s.len()).map(share).collect()
}

/// The cheapest partition's rests as half-open spans of frames.
fn cheapest_spans(trace: &Trace, shortest_rest_s: f64) -> Vec<(usize, usize)> {
    let frame_count = trace.len();
    let sums = LevelSums::new(trace);
    let fee = REST_FEE * trace.surfaces.len() as f64;
    let mut cost = vec![0.0; frame_count + 1];
    let mut rest_start: Vec<Option<usize>> = vec![None; frame_count + 1];
    let mut starts: Vec<usize> = Vec::new();
    let mut next_start = 0;
    for end in 1..=frame_count {
        let moving = MOVE_PRICE * (sums.evidence[end] - sums.evidence[end - 1]);
        cost[end] = cost[end - 1] + moving;
        // The latest start that still makes a rest long enough; it bounds all earlier ones.
        while next_start < end
            && trace.time_s[end - 1] - trace.time_s[next_start] >= shortest_rest_s
        {
            if next_start > 0 && is_unseen_gap(trace, next_start) {
                starts.clear();
            }
            starts.push(next_start);
            next_start += 1;
        }
        let Some(&latest) = starts.last() else {
            continue;
        };
        starts.retain(|&start| {
            start == latest || cost[start] + sums.rest_cost(start, latest) < cost[latest]
        });
        for &start in &starts {
            if sums.measured(start, end) < FEWEST_FRAMES {
                continue;
            }
            let resting = cost[start] + sums.rest_cost(start, end) + fee;
            if resting < cost[end] {
                cost[end] = resting;
                rest_start[end] = Some(start);
            }
        }
    }
    trace_back(&rest_start)
}

/// Whether nothing was measured for long before the frame.
fn is_unseen_gap(trace: &Trace, frame: usize) -> bool {
    let seen_before = (0..frame).rev().find(|&k| trace.is_measured(k));
    trace.is_measured(frame)
        && seen_before
            .is_some_and(|before| trace.time_s[frame] - trace.time_s[before] > LONGEST_UNSEEN_S)
}

fn trace_back(rest_start: &[Option<usize>]) -> Vec<(usize, usize)> {
    let mut spans = Vec::new();
    let mut end = rest_start.len() - 1;
    while end > 0 {
        match rest_start[end] {
            Some(start) => {
                spans.push((start, end));
                end = start;
            }
            None => end -= 1,
        }
    }
    spans.reverse();
    spans
}

/// Joins parts of one rest and takes the levels; frames without a measurement at the ends go.
fn merge_parts(trace: &Trace, spans: Vec<(usize, usize)>) -> Vec<Rest> {
    let mut rests: Vec<Rest> = Vec::new();
    for (from, to) in spans {
        let measured = |frame: &usize| trace.is_measured(*frame);
        let (Some(first), Some(last)) =
            ((from..to).find(measured), (from..to).rev().find(measured))
        else {
            continue;
        };
        let mut rest = Rest {
            first,
            last,
            levels_deg: trace.levels_deg(first, last),
        };
        while let Some(previous) = rests.pop_if(|previous| is_same_rest(trace, previous, &rest)) {
            rest.levels_deg = trace.levels_deg(previous.first, rest.last);
            rest.first = previous.first;
        }
        rests.push(rest);
    }
    rests
}

fn is_same_rest(trace: &Trace, earlier: &Rest, later: &Rest) -> bool {
    let gap_s = trace.time_s[later.first] - trace.time_s[earlier.last];
    // Frames may be further apart than the longest gap; neighbours have none between them.
    let is_near = later.first == earlier.last + 1 || gap_s < SAME_REST_GAP_S;
    is_near && gap_s < LONGEST_UNSEEN_S && levels_agree(earlier, later, SAME_LEVEL_DEG)
}

/// Whether the levels differ by less than a step on every surface that both have, at least one.
fn levels_agree(one: &Rest, other: &Rest, step_deg: f64) -> bool {
    let mut compared = 0;
    let pairs = one.levels_deg.iter().zip(&other.levels_deg);
    pairs
        .filter_map(|(a, b)| Some(((*a)? - (*b)?).abs()))
        .inspect(|_| compared += 1)
        .all(|step| step < step_deg)
        && compared > 0
}

/// Raises each surface's noise to the scatter within the rests; returns whether anything changed.
fn widen_noise(trace: &mut Trace, rests: &[Rest]) -> bool {
    let mut changed = false;
    for (index, surface) in trace.surfaces.iter_mut().enumerate() {
        let scaled = rests.iter().flat_map(|rest| {
            let level = rest.levels_deg[index];
            let surface = &*surface;
            (rest.first..=rest.last).filter_map(move |frame| {
                Some(((surface.angle_deg[frame]? - level?) / surface.sd_deg[frame]).abs())
            })
        });
        let ratio = median(scaled).map_or(0.0, |middle| middle * SD_FROM_MAD);
        if ratio > 1.0 {
            changed = true;
            surface.sd_deg.iter_mut().for_each(|sd| *sd *= ratio);
        }
    }
    changed
}

/// Whether the surfaces drift through the span steadily: a slow move, not a rest.
fn creeps(trace: &Trace, rest: &Rest) -> bool {
    let (margin_share, sigmas) = if is_brief(trace, rest) {
        (0.0, BRIEF_CREEP_SIGMAS)
    } else {
        (CREEP_MARGIN, CREEP_SIGMAS)
    };
    let margin = (margin_share * (rest.last - rest.first) as f64).round() as usize;
    let inner = rest.first + margin..=rest.last - margin;
    let slopes = trace.surfaces.iter().filter_map(|surface| {
        let point = |k| Some((trace.time_s[k], surface.angle_deg[k]?, surface.sd_deg[k]));
        slope_per_s(&inner.clone().filter_map(point).collect::<Vec<_>>())
    });
    let (fastest, sigmas_squared) = slopes.fold((0.0_f64, 0.0), |(fastest, sum), (slope, sd)| {
        (fastest.max(slope.abs()), sum + (slope / sd).powi(2))
    });
    fastest > FASTEST_CREEP_DEG_PER_S && sigmas_squared > sigmas * sigmas
}

/// Slope of the least-squares line through points of time, angle and standard deviation, and the
/// slope's standard error.
fn slope_per_s(points: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    if points.len() < FEWEST_FRAMES {
        return None;
    }
    let line = LineSlope::through(points.iter().map(|(time_s, angle, _)| (*time_s, *angle)))?;
    let mean_sd = points.iter().map(|point| point.2).sum::<f64>() / points.len() as f64;
    Some((line.slope, line.standard_error(mean_sd)))
}
