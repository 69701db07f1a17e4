//! Deflection as a function of what the servo got, with its uncertainty.

use nalgebra::{DMatrix, DVector};

use crate::measured::Measured;

use super::error::MatchingError;
use super::isotonic;
use super::pchip::Pchip;
use super::series::Series;
use super::visits::Visits;

/// Scatter above which the smooth series is suspected to miss a real bend, deg.
const SUSPECT_SCATTER_DEG: f64 = 0.1;
/// A curve is checked for rising at this many places.
const CHECKS: usize = 200;
/// Step for the sensitivity of the joined curve to a station, deg.
const NUDGE_DEG: f64 = 1e-4;

/// A surface's deflection against its servo's command, in the middle of its play.
#[derive(Debug, Clone)]
pub(super) struct ResponseCurve {
    visits: Visits,
    shape: Shape,
    /// Least and largest command of the stations.
    range_pct: [f64; 2],
}

/// How the curve runs between stations.
#[derive(Debug, Clone)]
enum Shape {
    /// A smooth series: the rule.
    Smooth(Series),
    /// Monotone regression and a monotone cubic, where a series does not follow the stations.
    Joined(Joined),
}

impl ResponseCurve {
    /// The curve through the visits.
    pub fn fit(visits: Visits) -> Result<Self, MatchingError> {
        let range_pct = checked_range_pct(&visits)?;
        let joined = Joined::fit(&visits);
        let shape = match Series::fit(&visits) {
            Some(series) if fits(&series, range_pct, joined.as_ref()) => Shape::Smooth(series),
            _ => Shape::Joined(joined.ok_or_else(|| not_finite(&visits))?),
        };
        Ok(Self {
            visits,
            shape,
            range_pct,
        })
    }

    /// The curve through the stations of a target, which may have a kink that no linkage makes.
    pub fn fit_target(visits: Visits) -> Result<Self, MatchingError> {
        let range_pct = checked_range_pct(&visits)?;
        let joined = Joined::fit(&visits).ok_or_else(|| not_finite(&visits))?;
        Ok(Self {
            visits,
            shape: Shape::Joined(joined),
            range_pct,
        })
    }

    /// The visits it was fitted to.
    pub fn visits(&self) -> &Visits {
        &self.visits
    }

    /// Least and largest command that was measured, %.
    pub fn range_pct(&self) -> [f64; 2] {
        self.range_pct
    }

    /// Deflection; beyond the measured range that of its end, deg.
    pub fn value_deg(&self, command_pct: f64) -> f64 {
        let command_pct = self.clamped(command_pct);
        match &self.shape {
            Shape::Smooth(series) => series.value_deg(command_pct),
            Shape::Joined(joined) => joined.curve.value(command_pct),
        }
    }

    /// Half the play, deg; 0 with a wide doubt where no station was approached from both sides.
    pub fn half_play_deg(&self) -> Measured {
        let (value, sd) = match &self.shape {
            Shape::Smooth(series) => series.half_play_deg(),
            Shape::Joined(joined) => joined.half_play_deg,
        };
        Measured::new(value.abs(), sd)
    }

    /// Scatter between visits beyond the measurement's own, deg.
    pub fn scatter_deg(&self) -> f64 {
        match &self.shape {
            Shape::Smooth(series) => series.scatter_deg,
            Shape::Joined(joined) => joined.scatter_deg,
        }
    }

    /// What multiplies the curve's unknowns to give its deflection at a command, to first order.
    pub fn terms(&self, command_pct: f64) -> DVector<f64> {
        let command_pct = self.clamped(command_pct);
        match &self.shape {
            Shape::Smooth(series) => series.terms(command_pct),
            Shape::Joined(joined) => joined.terms(command_pct),
        }
    }

    /// Covariance of the curve's unknowns, deg²: the measurement's, the scatter between visits, and
    /// what is not known between stations.
    pub fn covariance_deg2(&self) -> DMatrix<f64> {
        match &self.shape {
            Shape::Smooth(series) => series.covariance_deg2().clone(),
            Shape::Joined(joined) => joined.covariance_deg2(&self.visits),
        }
    }

    /// How the curve's unknowns follow each visit that counts.
    pub fn gain(&self) -> DMatrix<f64> {
        match &self.shape {
            Shape::Smooth(series) => series.gain().clone(),
            Shape::Joined(joined) => joined.gain_with_between(),
        }
    }

    fn clamped(&self, command_pct: f64) -> f64 {
        command_pct.clamp(self.range_pct[0], self.range_pct[1])
    }
}

/// Least and largest command of visits whose travel says something.
fn checked_range_pct(visits: &Visits) -> Result<[f64; 2], MatchingError> {
    let used = || {
        visits
            .used
            .iter()
            .map(|&visit| visits.deflection_deg[visit])
    };
    let lowest = used().fold(f64::INFINITY, f64::min);
    let travel_deg = used().fold(f64::NEG_INFINITY, f64::max) - lowest;
    if travel_deg < MatchingError::LEAST_TRAVEL_DEG {
        return Err(MatchingError::TooLittleTravel {
            surface: visits.surface.clone(),
            travel_deg,
        });
    }
    let commands = visits.distinct_commands_pct();
    Ok([commands[0], commands[commands.len() - 1]])
}

fn not_finite(visits: &Visits) -> MatchingError {
    MatchingError::NotFinite {
        surface: visits.surface.clone(),
    }
}

/// Whether the series keeps the sense of travel and follows the stations as well as the visits to
/// one station repeat.
fn fits(series: &Series, range_pct: [f64; 2], joined: Option<&Joined>) -> bool {
    let at = |check: usize| {
        let share = check as f64 / CHECKS as f64;
        series.value_deg(range_pct[0] + share * (range_pct[1] - range_pct[0]))
    };
    let sense = (at(CHECKS) - at(0)).signum();
    let monotone = (0..CHECKS).all(|check| (at(check + 1) - at(check)) * sense > 0.0);
    let missed = joined.is_some_and(|joined| {
        series.scatter_deg > SUSPECT_SCATTER_DEG && joined.scatter_deg < 0.5 * series.scatter_deg
    });
    monotone && !missed
}

/// Station means in the middle of the play, pooled until they rise, joined by a monotone cubic.
#[derive(Debug, Clone)]
struct Joined {
    knots_pct: Vec<f64>,
    values_deg: Vec<f64>,
    curve: Pchip,
    /// How each knot follows each visit that counts.
    gain: DMatrix<f64>,
    half_play_deg: (f64, f64),
    scatter_deg: f64,
}

impl Joined {
    fn fit(visits: &Visits) -> Option<Self> {
        let commands = visits.distinct_commands_pct();
        let members: Vec<Vec<usize>> = commands
            .iter()
            .map(|command| {
                (0..visits.used.len())
                    .filter(|&i| (visits.command_pct[visits.used[i]] - command).abs() < 1e-6)
                    .collect()
            })
            .collect();
        let play = play_weights(visits, &members);
        let mean = mean_gain(visits, &members, &play);
        let data = DVector::from_iterator(
            visits.used.len(),
            visits
                .used
                .iter()
                .map(|&visit| visits.deflection_deg[visit]),
        );
        let scatter_deg = repeat_scatter_deg(visits, &members, &(&mean * &data), play.dot(&data));
        let covariance = visits.used_covariance_deg2(scatter_deg);
        let (knots_pct, gain) = pooled(&commands, mean, &data, &covariance);
        let values: Vec<f64> = (&gain * &data).iter().copied().collect();
        Some(Self {
            curve: Pchip::new(knots_pct.clone(), values.clone())?,
            knots_pct,
            values_deg: values,
            gain,
            half_play_deg: (play.dot(&data), (&covariance * &play).dot(&play).sqrt()),
            scatter_deg,
        })
    }

    /// How the curve follows its knots, then what is not known between each two of them.
    fn terms(&self, command_pct: f64) -> DVector<f64> {
        let knots = self.knots_pct.len();
        let mut terms = DVector::zeros(2 * knots - 1);
        for knot in 0..knots {
            let nudged = |by: f64| {
                let mut values = self.values_deg.clone();
                values[knot] += by;
                Pchip::new(self.knots_pct.clone(), values)
                    .map_or(0.0, |curve| curve.value(command_pct))
            };
            terms[knot] = (nudged(NUDGE_DEG) - nudged(-NUDGE_DEG)) / (2.0 * NUDGE_DEG);
        }
        let inner = &self.knots_pct[1..knots - 1];
        let piece = inner.partition_point(|&knot| knot <= command_pct);
        terms[knots + piece] = self.between_deg(command_pct);
        terms
    }

    /// Covariance of the knots; the shares of what is not known between them have variance 1.
    fn covariance_deg2(&self, visits: &Visits) -> DMatrix<f64> {
        let knots = self.knots_pct.len();
        let own = visits.used_covariance_deg2(self.scatter_deg);
        let mut covariance = DMatrix::identity(2 * knots - 1, 2 * knots - 1);
        covariance
            .view_mut((0, 0), (knots, knots))
            .copy_from(&(&self.gain * own * self.gain.transpose()));
        covariance
    }

    /// How all unknowns follow each visit that counts.
    fn gain_with_between(&self) -> DMatrix<f64> {
        let knots = self.knots_pct.len();
        self.gain.clone().resize_vertically(2 * knots - 1, 0.0)
    }

    /// What is not known between stations, deg: the difference to the cubic through the four
    /// nearest stations, about as large as either one's error on a smooth response.
    fn between_deg(&self, command_pct: f64) -> f64 {
        let knots = &self.knots_pct;
        if knots.len() < 4 {
            return 0.0;
        }
        let after = knots.partition_point(|&knot| knot < command_pct);
        let first = after.saturating_sub(2).min(knots.len() - 4);
        let near = first..first + 4;
        let cubic: f64 = near
            .clone()
            .map(|i| {
                let basis: f64 = near
                    .clone()
                    .filter(|&j| j != i)
                    .map(|j| (command_pct - knots[j]) / (knots[i] - knots[j]))
                    .product();
                basis * self.values_deg[i]
            })
            .sum();
        cubic - self.curve.value(command_pct)
    }
}

/// Weights that give half the play: half the difference of falling and rising, averaged over the
/// stations that were approached from both sides.
fn play_weights(visits: &Visits, members: &[Vec<usize>]) -> DVector<f64> {
    let mut weights = DVector::zeros(visits.used.len());
    let mut pairs = 0.0;
    for station in members {
        let from = |side: f64| -> Vec<usize> {
            station
                .iter()
                .copied()
                .filter(|&i| visits.side[visits.used[i]] == side)
                .collect()
        };
        let (rising, falling) = (from(-1.0), from(1.0));
        if rising.is_empty() || falling.is_empty() {
            continue;
        }
        pairs += 1.0;
        for &i in &rising {
            weights[i] -= 0.5 / rising.len() as f64;
        }
        for &i in &falling {
            weights[i] += 0.5 / falling.len() as f64;
        }
    }
    if pairs > 0.0 {
        weights / pairs
    } else {
        weights
    }
}

/// Each station's mean over its visits, the play's side taken out.
fn mean_gain(visits: &Visits, members: &[Vec<usize>], play: &DVector<f64>) -> DMatrix<f64> {
    let mut gain = DMatrix::zeros(members.len(), visits.used.len());
    for (row, station) in members.iter().enumerate() {
        let share = 1.0 / station.len() as f64;
        for &i in station {
            gain[(row, i)] += share;
            let mut line = gain.row_mut(row);
            line -= share * visits.side[visits.used[i]] * play.transpose();
        }
    }
    gain
}

/// Scatter of the visits about their station's mean beyond the measurement's own, deg.
fn repeat_scatter_deg(
    visits: &Visits,
    members: &[Vec<usize>],
    means: &DVector<f64>,
    half_play_deg: f64,
) -> f64 {
    let mut squares = 0.0;
    let mut own = 0.0;
    for (station, mean) in members.iter().zip(means.iter()) {
        for &i in station {
            let visit = visits.used[i];
            let rest = visits.deflection_deg[visit] - visits.side[visit] * half_play_deg - mean;
            squares += rest * rest;
            own += visits.covariance_deg2[(visit, visit)] * (1.0 - 1.0 / station.len() as f64);
        }
    }
    let freedom = visits.used.len() as f64 - members.len() as f64 - 1.0;
    if freedom < 1.0 {
        return 0.0;
    }
    ((squares - own) / freedom).max(0.0).sqrt()
}

/// Pools neighbouring stations until their means run one way.
fn pooled(
    commands: &[f64],
    mean: DMatrix<f64>,
    data: &DVector<f64>,
    covariance: &DMatrix<f64>,
) -> (Vec<f64>, DMatrix<f64>) {
    let values = &mean * data;
    let sense = (values[values.len() - 1] - values[0]).signum();
    let weights: Vec<f64> = mean
        .row_iter()
        .map(|row| 1.0 / (row * covariance * row.transpose())[(0, 0)].max(f64::MIN_POSITIVE))
        .collect();
    let rising: Vec<f64> = values.iter().map(|value| sense * value).collect();
    let mut gain = mean.clone();
    for pool in isotonic::pools(&rising, &weights) {
        let total: f64 = weights[pool.clone()].iter().sum();
        let mut line = mean.row(pool.start) * 0.0;
        for station in pool.clone() {
            line += mean.row(station) * (weights[station] / total);
        }
        for station in pool {
            gain.set_row(station, &line);
        }
    }
    (commands.to_vec(), gain)
}
