//! Finds the stick during a slow sweep between few holds from the reference surface itself.
//!
//! A polynomial through the nearest five holds gives the stick for every deflection between them.
//! The next Legendre term of typical linkages gives the possible error of the stick, as a warning.
//! It moves all surfaces alike, so it blurs the place of a mismatch on the stick, but hardly the
//! mismatch itself.

use nalgebra::{DMatrix, DVector};

use super::delay::{delay_s, moving_frames};
use super::hold_levels::{HoldLevels, half_play_sd_deg};
use super::sweep::{Courses, Passage, Sweeps, frames_near};
use crate::conventions::COVERAGE_FACTOR;
use crate::geometry::{BEND_SHARES, FIRST_BEND, legendre_leading};
use crate::measured::Measured;
use crate::model_file::ModelFile;
use crate::response_model::side_at_rate;
use crate::stations::constants::{
    FASTEST_BY_REFERENCE_PCT_PER_S, FEWEST_REFERENCE_STATIONS, SLOWEST_BY_REFERENCE_PCT_PER_S,
    WIDE_GAP_PCT,
};
use crate::stations::hold::Hold;
use crate::stations::scene::Scene;
use crate::stations::warning::StationsWarning;

/// Number of stations from which a stick position is computed.
const NODES: usize = 5;

/// Time before and after over which a speed is computed, s: so long that noise does not hide how the
/// deflection follows the speed.
const SPEED_S: f64 = 0.28;

/// Fewest frames from which a speed is computed.
const FEWEST_SPEED_FRAMES: usize = 3;

/// Sweeps between the holds by the reference, and the stick by frame; `None` if there are none.
pub(in crate::stations) fn sweeps_by_reference(
    scene: &Scene,
    model: &ModelFile,
    holds: &[Hold],
    warnings: &mut Vec<StationsWarning>,
) -> Option<(Sweeps, Vec<Option<f64>>)> {
    let group = model.matches.first()?;
    let mut surfaces = scene.motion.surfaces.iter();
    let reference = surfaces.position(|surface| surface.name == group.reference)?;
    let by_reference = ReferenceStick::new(scene, reference, holds)?;
    let stick_pct = by_reference.stick_by_frame();
    let rates = rates_pct_per_s(&scene.trace.time_s, &stick_pct);
    let delays = by_reference.delays(holds, &stick_pct, &rates);
    let course_pct: Vec<Vec<Option<f64>>> = delays
        .iter()
        .map(|delay| delayed_pct(&stick_pct, &rates, delay.value))
        .collect();
    let passages = by_reference.passages(holds, &stick_pct, &course_pct);
    if passages.is_empty() {
        return None;
    }
    warnings.push(StationsWarning::StickByReference {
        surface: group.reference.clone(),
        stations: by_reference.stations.len(),
        stick_u_pct: COVERAGE_FACTOR * by_reference.largest_shape_sd_pct(&passages),
    });
    let mut passed = vec![None; scene.trace.len()];
    for &frame in passages
        .iter()
        .flat_map(|passage| passage.frames.iter().flatten())
    {
        passed[frame] = stick_pct[frame];
    }
    let variances_s2: Vec<f64> = delays.iter().map(|delay| delay.sd * delay.sd).collect();
    let sweeps = Sweeps {
        opposed_sd_pct: vec![by_reference.opposed_sd_pct(); delays.len()],
        passages,
        course_pct,
        timing_covariance_s2: DMatrix::from_diagonal(&DVector::from_vec(variances_s2)),
    };
    Some((sweeps, passed))
}

/// The stick that a surface follows by frame, with its delay.
fn delayed_pct(
    stick_pct: &[Option<f64>],
    rates_pct_per_s: &[Option<f64>],
    delay_s: f64,
) -> Vec<Option<f64>> {
    let frames = stick_pct.iter().zip(rates_pct_per_s);
    let at = frames.map(|(stick, rate)| Some((*stick)? - delay_s * (*rate)?));
    at.collect()
}

/// The reference and the results of its holds.
struct ReferenceStick<'a> {
    scene: &'a Scene<'a>,
    reference: usize,
    /// Stick and deflection without play, rising in the deflection.
    stations: Vec<(f64, f64)>,
    /// Half the play: falling less rising, signed, deg.
    half_play_deg: f64,
    half_play_sd_deg: f64,
}

impl<'a> ReferenceStick<'a> {
    fn new(scene: &'a Scene<'a>, reference: usize, holds: &[Hold]) -> Option<Self> {
        let levels = HoldLevels::new(scene, reference, holds);
        let from_holds = levels.half_play_deg();
        let levels_deg = levels.levels_deg();
        let sticks_pct = levels.stations_pct().iter().copied();
        let mut stations: Vec<(f64, f64)> = sticks_pct.zip(levels_deg.iter().copied()).collect();
        let rises = stations.windows(2).all(|pair| pair[1].1 > pair[0].1);
        let falls = stations.windows(2).all(|pair| pair[1].1 < pair[0].1);
        stations.sort_by(|a, b| a.1.total_cmp(&b.1));
        (stations.len() >= FEWEST_REFERENCE_STATIONS && (rises || falls)).then_some(Self {
            scene,
            reference,
            stations,
            half_play_deg: from_holds.unwrap_or(0.0),
            half_play_sd_deg: half_play_sd_deg(from_holds),
        })
    }

    /// The stick at which the reference without play has a deflection between its stations.
    fn stick_at(&self, angle_deg: f64) -> Option<f64> {
        let (lowest, highest) = (self.stations.first()?, self.stations.last()?);
        let is_between = (lowest.1..=highest.1).contains(&angle_deg);
        let nodes = self.nodes(angle_deg, |station| station.1);
        // Lagrange's form.
        let term = |(i, node): (usize, &(f64, f64))| {
            let others = nodes.iter().enumerate().filter(|(j, _)| *j != i);
            let shares = others.map(|(_, other)| (angle_deg - other.1) / (node.1 - other.1));
            node.0 * shares.product::<f64>()
        };
        is_between.then(|| nodes.iter().enumerate().map(term).sum())
    }

    /// The stations next to a place on the axis that `of` selects.
    fn nodes(&self, at: f64, of: impl Fn(&(f64, f64)) -> f64) -> Vec<(f64, f64)> {
        let mut nodes = self.stations.clone();
        nodes.sort_by(|a, b| (of(a) - at).abs().total_cmp(&(of(b) - at).abs()));
        nodes.truncate(NODES);
        nodes
    }

    fn stick_by_frame(&self) -> Vec<Option<f64>> {
        let angles = &self.scene.trace.surfaces[self.reference].angle_deg;
        let raw: Vec<Option<f64>> = angles
            .iter()
            .map(|angle| self.stick_at((*angle)?))
            .collect();
        let rates = rates_pct_per_s(&self.scene.trace.time_s, &raw);
        let stick = |(angle, rate): (&Option<f64>, &Option<f64>)| {
            let side = side_at_rate((*rate)?, SLOWEST_BY_REFERENCE_PCT_PER_S);
            self.stick_at((*angle)? - side * self.half_play_deg)
        };
        angles.iter().zip(&rates).map(stick).collect()
    }

    /// The delay of each surface behind the reference, s.
    fn delays(
        &self,
        holds: &[Hold],
        stick_pct: &[Option<f64>],
        rates_pct_per_s: &[Option<f64>],
    ) -> Vec<Measured> {
        let surfaces = self.scene.trace.surfaces.iter().enumerate();
        surfaces
            .map(|(surface, trace)| {
                if surface == self.reference {
                    return Measured::new(0.0, 0.0);
                }
                let levels = HoldLevels::new(self.scene, surface, holds);
                let frames = moving_frames(trace, stick_pct, rates_pct_per_s);
                let (delay_s, sd_s) = delay_s(&frames, levels.half_play_deg());
                Measured::new(delay_s, sd_s)
            })
            .collect()
    }

    /// The passages in the gaps between the holds, from frames that show the reference as well.
    fn passages(
        &self,
        holds: &[Hold],
        stick_pct: &[Option<f64>],
        course_pct: &[Vec<Option<f64>>],
    ) -> Vec<Passage> {
        let trace = self.scene.trace;
        let is_usable = |surface: usize, frame: usize| {
            trace.surfaces[surface].angle_deg[frame].is_some()
                && trace.surfaces[self.reference].angle_deg[frame].is_some()
        };
        let courses = Courses {
            time_s: &trace.time_s,
            stick_pct,
            course_pct,
            is_usable: &is_usable,
            fastest_pct_per_s: FASTEST_BY_REFERENCE_PCT_PER_S,
        };
        let mut passages = courses.passages(holds);
        passages.retain(|passage| self.is_in_wide_gap(passage.stick_pct));
        passages
    }

    /// The largest standard deviation of the stick at some passages.
    fn largest_shape_sd_pct(&self, passages: &[Passage]) -> f64 {
        passages
            .iter()
            .map(|passage| self.shape_sd_pct(passage.stick_pct))
            .fold(0.0, f64::max)
    }

    fn is_in_wide_gap(&self, stick_pct: f64) -> bool {
        let mut sticks: Vec<f64> = self.stations.iter().map(|station| station.0).collect();
        sticks.sort_by(f64::total_cmp);
        sticks.windows(2).any(|pair| {
            pair[1] - pair[0] > WIDE_GAP_PCT && pair[0] < stick_pct && stick_pct < pair[1]
        })
    }

    /// Standard deviation of the stick at a place between the stations: the Legendre term after
    /// those that the nodes determine.
    fn shape_sd_pct(&self, stick_pct: f64) -> f64 {
        let nodes = self.nodes(stick_pct, |station| station.0);
        // As many nodes determine all terms below their number.
        let order = nodes.len();
        let share = BEND_SHARES[order - FIRST_BEND];
        let sticks = || self.stations.iter().map(|station| station.0);
        let lowest = sticks().fold(f64::INFINITY, f64::min);
        let highest = sticks().fold(f64::NEG_INFINITY, f64::max);
        let half = 0.5 * (highest - lowest);
        let product: f64 = nodes
            .iter()
            .map(|node| ((stick_pct - node.0) / half).abs())
            .product();
        share * legendre_leading(order) * product * half
    }

    /// Half the play as a way of the stick: its standard deviation, pct.
    fn opposed_sd_pct(&self) -> f64 {
        match (self.stations.first(), self.stations.last()) {
            (Some(low), Some(high)) => {
                (self.half_play_sd_deg * (high.0 - low.0) / (high.1 - low.1)).abs()
            }
            _ => 0.0,
        }
    }
}

/// Speed about each frame: the slope of the straight line through the frames around it.
fn rates_pct_per_s(time_s: &[f64], stick_pct: &[Option<f64>]) -> Vec<Option<f64>> {
    let rate = |frame: usize| {
        stick_pct[frame]?;
        let [before, after] = frames_near(time_s, frame, SPEED_S);
        let points: Vec<(f64, f64)> = (before..=after)
            .filter_map(|near| Some((time_s[near] - time_s[frame], stick_pct[near]?)))
            .collect();
        let count = points.len() as f64;
        let middle_s = points.iter().map(|point| point.0).sum::<f64>() / count;
        let spread: f64 = points
            .iter()
            .map(|point| (point.0 - middle_s).powi(2))
            .sum();
        let moment: f64 = points.iter().map(|(t, stick)| (t - middle_s) * stick).sum();
        let most_are_there = 2 * points.len() > after - before;
        (most_are_there && points.len() >= FEWEST_SPEED_FRAMES).then(|| moment / spread)
    };
    (0..time_s.len()).map(rate).collect()
}
