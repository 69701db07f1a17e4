//! Finds the stick during a slow sweep between few holds from the reference surface itself.
//!
//! A polynomial through the nearest five holds gives the stick for every deflection between them.
//! The next Legendre term of typical linkages gives the possible error of the stick, as a warning.
//! It moves all surfaces alike, so it blurs the place of a mismatch on the stick, but hardly the
//! mismatch itself.
//!
//! A follower's delay behind the reference grows with the rate of the stick, its play does not: one
//! linear regression over both directions, δ_f = poly(s) + b·side + d·ds/dt, separates them, and
//! its covariance shows how well.

use nalgebra::{DMatrix, DVector};

use super::sweep::{Courses, Sweeps, frames_near};
use crate::conventions::COVERAGE_FACTOR;
use crate::geometry::{BEND_SHARES, FIRST_BEND, legendre_leading};
use crate::model_file::ModelFile;
use crate::stations::hold::{Approach, Hold};
use crate::stations::scene::Scene;
use crate::stations::warning::StationsWarning;

/// Fewest stations that determine the bend of a response.
const FEWEST_STATIONS: usize = 3;

/// Stations that the stick is taken from at a time.
const NODES: usize = 5;

/// Stations closer together than this need nothing between them, pct.
const WIDE_GAP_PCT: f64 = 30.0;

/// Fastest sweep that is measured, pct/s: a faster one may have run the servos at their largest
/// speed. Common practice, no source.
const FASTEST_PCT_PER_S: f64 = 60.0;

/// Slower, the stick rests or turns, pct/s.
const SLOWEST_PCT_PER_S: f64 = 2.0;

/// Half the play of a surface without two holds that determine it, deg: its standard deviation.
/// Common practice, no source.
const HALF_PLAY_SD_DEG: f64 = 0.15;

/// Accuracy of half the play from holds, deg: a hold's own error.
const TOLD_HALF_PLAY_SD_DEG: f64 = 0.03;

/// Delay of one servo behind another of its kind, s: its standard deviation. Common practice, no
/// source.
const DELAY_SD_S: f64 = 0.03;

/// Powers of the stick in the regression, with the constant.
const POWERS: usize = 6;

/// Time before and after over which a speed is taken, s: so long that noise does not hide how the
/// deflection follows the speed.
const SPEED_S: f64 = 0.28;

/// Fewest frames that a speed is taken from.
const FEWEST_SPEED_FRAMES: usize = 3;

/// Fewest frames of a sweep for the regression.
const FEWEST_FRAMES: usize = 3 * POWERS;

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
    let teller = Teller::new(scene, reference, holds)?;
    let stick_pct = teller.stick_by_frame();
    let rates = rates_pct_per_s(&scene.trace.time_s, &stick_pct);
    let delays: Vec<(f64, f64)> = (0..scene.trace.surfaces.len())
        .map(|surface| match surface {
            _ if surface == reference => (0.0, 0.0),
            _ => delay_s(
                scene,
                (surface, &Levels::new(scene, surface, holds)),
                &stick_pct,
                &rates,
            ),
        })
        .collect();
    let course = |(delay_s, _): &(f64, f64)| -> Vec<Option<f64>> {
        let frames = stick_pct.iter().zip(&rates);
        let at = frames.map(|(stick, rate)| Some((*stick)? - delay_s * (*rate)?));
        at.collect()
    };
    let course_pct: Vec<Vec<Option<f64>>> = delays.iter().map(course).collect();
    let trace = scene.trace;
    let is_usable = |surface: usize, frame: usize| {
        trace.surfaces[surface].angle_deg[frame].is_some()
            && trace.surfaces[reference].angle_deg[frame].is_some()
    };
    let courses = Courses {
        time_s: &trace.time_s,
        stick_pct: &stick_pct,
        course_pct: &course_pct,
        is_usable: &is_usable,
        fastest_pct_per_s: FASTEST_PCT_PER_S,
    };
    let mut passages = courses.passages(holds);
    passages.retain(|passage| teller.is_in_wide_gap(passage.stick_pct));
    if passages.is_empty() {
        return None;
    }
    let sds = passages
        .iter()
        .map(|passage| teller.shape_sd_pct(passage.stick_pct));
    let largest_sd_pct = sds.fold(0.0, f64::max);
    warnings.push(StationsWarning::StickByReference {
        surface: group.reference.clone(),
        stations: teller.stations.len(),
        stick_u_pct: COVERAGE_FACTOR * largest_sd_pct,
    });
    let mut passed = vec![None; trace.len()];
    for &frame in passages
        .iter()
        .flat_map(|passage| passage.frames.iter().flatten())
    {
        passed[frame] = stick_pct[frame];
    }
    let variances: Vec<f64> = delays.iter().map(|(_, sd_s)| sd_s * sd_s).collect();
    Some((
        Sweeps {
            opposed_sd_pct: delays.iter().map(|_| teller.opposed_sd_pct()).collect(),
            passages,
            course_pct,
            timing_covariance_s2: DMatrix::from_diagonal(&DVector::from_vec(variances)),
        },
        passed,
    ))
}

/// One surface's deflections at the holds: stick, approach, level.
struct Levels(Vec<(f64, Approach, f64)>);

impl Levels {
    fn new(scene: &Scene, surface: usize, holds: &[Hold]) -> Self {
        let angles = &scene.trace.surfaces[surface].angle_deg;
        let level = |hold: &Hold| {
            let settled = hold.frames.iter().filter_map(|&frame| angles[frame]);
            let level_deg = crate::statistics::median(settled)?;
            Some((hold.stick_pct, hold.approach, level_deg))
        };
        Self(holds.iter().filter_map(level).collect())
    }

    /// The different sticks, rising.
    fn sticks_pct(&self) -> Vec<f64> {
        let mut sticks: Vec<f64> = self.0.iter().map(|at| at.0).collect();
        sticks.sort_by(f64::total_cmp);
        sticks.dedup();
        sticks
    }

    fn mean_deg(&self, stick_pct: f64, approach: Approach) -> Option<f64> {
        let here = self
            .0
            .iter()
            .filter(|at| at.0 == stick_pct && at.1 == approach);
        let levels: Vec<f64> = here.map(|at| at.2).collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
    }

    /// Half of falling minus rising, where a station was approached from both sides.
    fn half_play_deg(&self) -> Option<f64> {
        let halves: Vec<f64> = self
            .sticks_pct()
            .iter()
            .filter_map(|&stick| {
                let falling = self.mean_deg(stick, Approach::Falling)?;
                Some(0.5 * (falling - self.mean_deg(stick, Approach::Rising)?))
            })
            .collect();
        (!halves.is_empty()).then(|| halves.iter().sum::<f64>() / halves.len() as f64)
    }
}

/// How well half the play is known.
fn half_play_sd_deg(from_holds: Option<f64>) -> f64 {
    match from_holds {
        Some(_) => TOLD_HALF_PLAY_SD_DEG,
        None => HALF_PLAY_SD_DEG,
    }
}

/// The reference and the results of its holds.
struct Teller<'a> {
    scene: &'a Scene<'a>,
    reference: usize,
    /// Stick and deflection without play, rising in the deflection.
    stations: Vec<(f64, f64)>,
    /// Half the play, signed so that a rising stick has it taken off, deg.
    half_play_deg: f64,
    half_play_sd_deg: f64,
}

impl<'a> Teller<'a> {
    fn new(scene: &'a Scene<'a>, reference: usize, holds: &[Hold]) -> Option<Self> {
        let levels = Levels::new(scene, reference, holds);
        let from_holds = levels.half_play_deg();
        let half_play_deg = from_holds.unwrap_or(0.0);
        let middle = |&stick: &f64| {
            let sides = [
                levels
                    .mean_deg(stick, Approach::Rising)
                    .map(|deg| deg + half_play_deg),
                levels
                    .mean_deg(stick, Approach::Falling)
                    .map(|deg| deg - half_play_deg),
            ];
            let known: Vec<f64> = sides.into_iter().flatten().collect();
            let deg = match known.len() {
                0 => levels.mean_deg(stick, Approach::First)?,
                count => known.iter().sum::<f64>() / count as f64,
            };
            Some((stick, deg))
        };
        let mut stations: Vec<(f64, f64)> = levels.sticks_pct().iter().filter_map(middle).collect();
        let rises = stations.windows(2).all(|pair| pair[1].1 > pair[0].1);
        let falls = stations.windows(2).all(|pair| pair[1].1 < pair[0].1);
        stations.sort_by(|a, b| a.1.total_cmp(&b.1));
        (stations.len() >= FEWEST_STATIONS && (rises || falls)).then_some(Self {
            scene,
            reference,
            stations,
            half_play_deg,
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
            let side = match (*rate)? {
                rate if rate > SLOWEST_PCT_PER_S => 1.0,
                rate if rate < -SLOWEST_PCT_PER_S => -1.0,
                _ => 0.0,
            };
            self.stick_at((*angle)? + side * self.half_play_deg)
        };
        angles.iter().zip(&rates).map(stick).collect()
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

/// How much later a surface moves than the reference, and the standard deviation.
fn delay_s(
    scene: &Scene,
    (surface, levels): (usize, &Levels),
    stick_pct: &[Option<f64>],
    rates: &[Option<f64>],
) -> (f64, f64) {
    const UNKNOWNS: usize = POWERS + 2;
    let unknown = (0.0, DELAY_SD_S);
    let own = &scene.trace.surfaces[surface];
    let row = |frame: usize| -> Option<(DVector<f64>, f64, f64)> {
        let (stick, rate) = (stick_pct[frame]? / 100.0, rates[frame]?);
        let is_slow = (SLOWEST_PCT_PER_S..=FASTEST_PCT_PER_S).contains(&rate.abs());
        let angle_deg = own.angle_deg[frame].filter(|_| is_slow)?;
        let terms = DVector::from_fn(UNKNOWNS, |term, _| match term {
            POWERS => -rate.signum(),
            term if term > POWERS => rate,
            power => stick.powi(power as i32),
        });
        Some((terms, angle_deg, own.sd_deg[frame]))
    };
    let rows: Vec<(DVector<f64>, f64, f64)> = (0..scene.trace.len()).filter_map(row).collect();
    if rows.len() < FEWEST_FRAMES {
        return unknown;
    }
    let reach =
        |value: fn(f64, f64) -> f64, start: f64| rows.iter().map(|row| row.1).fold(start, value);
    let travel_deg = reach(f64::max, f64::NEG_INFINITY) - reach(f64::min, f64::INFINITY);
    let way = |frame: &(DVector<f64>, f64, f64)| 100.0 * frame.0[1];
    let ways = || rows.iter().map(way);
    let range_pct = ways().fold(f64::NEG_INFINITY, f64::max) - ways().fold(f64::INFINITY, f64::min);
    if range_pct <= 0.0 || travel_deg <= 0.0 {
        return unknown;
    }
    let slope_deg_per_pct = travel_deg / range_pct;
    let mut normal = DMatrix::<f64>::zeros(UNKNOWNS, UNKNOWNS);
    let mut moments = DVector::<f64>::zeros(UNKNOWNS);
    for (terms, angle_deg, sd_deg) in &rows {
        normal += terms * terms.transpose() / (sd_deg * sd_deg);
        moments += terms * (angle_deg / (sd_deg * sd_deg));
    }
    for power in 0..POWERS {
        normal[(power, power)] += 1e-9;
    }
    // Play from the holds; without them hysteresis may be play or delay.
    let half_play_deg = levels.half_play_deg();
    let half_play_weight = half_play_sd_deg(half_play_deg).powi(-2);
    normal[(POWERS, POWERS)] += half_play_weight;
    moments[POWERS] += half_play_weight * half_play_deg.unwrap_or(0.0);
    let delay_sd_deg_s = DELAY_SD_S * slope_deg_per_pct;
    normal[(POWERS + 1, POWERS + 1)] += delay_sd_deg_s.powi(-2);
    let Some(inverse) = normal.cholesky().map(|root| root.inverse()) else {
        return unknown;
    };
    let found = &inverse * moments;
    let squares: f64 = rows
        .iter()
        .map(|(terms, angle_deg, sd_deg)| ((angle_deg - terms.dot(&found)) / sd_deg).powi(2))
        .sum();
    let variance = (squares / (rows.len() - UNKNOWNS) as f64).max(1.0);
    // A rising surface that moves later is lower: δ = … − slope · d · rate.
    let sign = found[1].signum();
    let delay_s = -sign * found[POWERS + 1] / slope_deg_per_pct;
    let sd_s = (inverse[(POWERS + 1, POWERS + 1)] * variance).sqrt() / slope_deg_per_pct;
    (delay_s, sd_s.min(DELAY_SD_S))
}
