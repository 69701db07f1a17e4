//! Deflection as a function of the servo's command, with its uncertainty.

use super::constants::SUSPECT_SCATTER_DEG;
use nalgebra::{DMatrix, DVector};

use crate::measured::Measured;
use crate::response_model::{HALF_PLAY_PRIOR_DEG, Series, StationLevels, pools};
use crate::statistics::extremes;

use super::error::MatchingError;
use super::pchip::Pchip;
use super::visits::Visits;

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
        let shape = match Series::fit(&visits.points()) {
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

    /// Half the play, deg: as reported, or as the curve determines it where no station was approached from both
    /// sides.
    pub fn half_play_deg(&self) -> Measured {
        if let Some(reported) = self.visits.half_play_deg {
            return reported;
        }
        match &self.shape {
            Shape::Smooth(series) => {
                let (value, sd) = series.half_play_deg();
                Measured::new(value.abs(), sd)
            }
            Shape::Joined(_) => Measured::new(0.0, HALF_PLAY_PRIOR_DEG),
        }
    }

    /// Scatter between visits beyond the measurement's own, deg.
    pub fn scatter_deg(&self) -> f64 {
        match &self.shape {
            Shape::Smooth(series) => series.scatter_deg,
            Shape::Joined(joined) => joined.scatter_deg,
        }
    }

    /// Sensitivity of the deflection at a command to the curve's unknowns, to first order.
    pub fn terms(&self, command_pct: f64) -> DVector<f64> {
        let command_pct = self.clamped(command_pct);
        match &self.shape {
            Shape::Smooth(series) => series.terms(command_pct),
            Shape::Joined(joined) => joined.terms(command_pct),
        }
    }

    /// Covariance of the curve's unknowns, deg²: the measurement's, the scatter between visits, and
    /// the error of the interpolation between stations.
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
    let used = visits.used.iter();
    let [lowest, highest] = extremes(used.map(|&visit| visits.deflection_deg[visit]));
    let travel_deg = highest - lowest;
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
    scatter_deg: f64,
}

impl Joined {
    fn fit(visits: &Visits) -> Option<Self> {
        let points = visits.points();
        let levels = StationLevels::new(&points.command_pct, &points.side);
        let scatter_deg = levels.scatter_deg(&points);
        let covariance = points.with_scatter_deg2(scatter_deg);
        let data = &points.deflection_deg;
        let gain = pooled(levels.gain, data, &covariance);
        let values_deg: Vec<f64> = (&gain * data).iter().copied().collect();
        Some(Self {
            curve: Pchip::new(levels.stations_pct.clone(), values_deg.clone())?,
            knots_pct: levels.stations_pct,
            values_deg,
            gain,
            scatter_deg,
        })
    }

    /// How the curve follows its knots, then the error of the interpolation between each two of them.
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

    /// Covariance of the knots; the shares of the error between them have variance 1.
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

    /// Error of the interpolation between stations, deg: the difference to the cubic through the four
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

/// Pools neighbouring stations until their means run one way.
fn pooled(mean: DMatrix<f64>, data: &DVector<f64>, covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let values = &mean * data;
    let sense = (values[values.len() - 1] - values[0]).signum();
    let weights: Vec<f64> = mean
        .row_iter()
        .map(|row| 1.0 / (row * covariance * row.transpose())[(0, 0)].max(f64::MIN_POSITIVE))
        .collect();
    let rising: Vec<f64> = values.iter().map(|value| sense * value).collect();
    let mut gain = mean.clone();
    for pool in pools(&rising, &weights) {
        let total: f64 = weights[pool.clone()].iter().sum();
        let mut line = mean.row(pool.start) * 0.0;
        for station in pool.clone() {
            line += mean.row(station) * (weights[station] / total);
        }
        for station in pool {
            gain.set_row(station, &line);
        }
    }
    gain
}
