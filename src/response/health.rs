//! Play, return to neutral, jitter and early stop of one surface.

use super::constants::{SMALLEST_STEP_DEG, STOPPED_SHARE};
use nalgebra::{DMatrix, DVector};

use super::averages::Scatter;
use super::lag::u_of_root;
use super::{EarlyStop, Health, StationDeflection};
use crate::conventions::{COVERAGE_FACTOR, deg_from_rad};
use crate::measured::Measured;
use crate::response_model::{Points, StationLevels, slope_sign};
use crate::stations::Approach;
use crate::stick;

/// One surface's stations with the part of the joint covariance that belongs to them.
pub(super) struct SurfaceStations<'a> {
    pub stations: &'a [StationDeflection],
    pub covariance_deg2: DMatrix<f64>,
}

/// Judges one surface.
pub(super) fn health(surface: &SurfaceStations, scatter: &Scatter) -> Health {
    Health {
        play_deg: surface.play(),
        return_to_neutral_deg: surface.return_to_neutral(),
        neutral_after_rising_deg: surface.neutral_after(Approach::Rising),
        neutral_after_falling_deg: surface.neutral_after(Approach::Falling),
        jitter_deg: jitter(scatter),
        early_stop: surface.early_stops(),
    }
}

impl SurfaceStations<'_> {
    /// A weighted sum of the stations' deflections.
    fn combine(&self, weights: &DVector<f64>) -> Measured {
        let values = self
            .stations
            .iter()
            .map(|station| station.deflection_deg.value);
        let value = weights
            .iter()
            .zip(values)
            .map(|(weight, value)| weight * value);
        let variance = weights.dot(&(&self.covariance_deg2 * weights));
        Measured::new(value.sum(), variance.max(0.0).sqrt())
    }

    /// Weights that average the stations that pass a test; `None` if none does.
    fn averaging(&self, is_in: impl Fn(&StationDeflection) -> bool) -> Option<DVector<f64>> {
        let weights = self
            .stations
            .iter()
            .map(|station| f64::from(u8::from(is_in(station))));
        let weights = DVector::from_iterator(self.stations.len(), weights);
        let count = weights.sum();
        (count > 0.0).then(|| weights / count)
    }

    /// The different stick positions, rising.
    fn sticks_pct(&self) -> Vec<f64> {
        stick::distinct_pct(self.stations.iter().map(|station| station.stick_pct))
    }

    /// The stations as points of the response model, over the stick.
    fn points(&self) -> Points {
        let sides = self.stations.iter().map(|at| at.approach.side_of_play());
        let values_deg = self.stations.iter().map(|at| at.deflection_deg.value);
        Points {
            command_pct: self.stations.iter().map(|at| at.stick_pct).collect(),
            side: sides.collect(),
            deflection_deg: DVector::from_iterator(self.stations.len(), values_deg),
            covariance_deg2: self.covariance_deg2.clone(),
        }
    }

    /// Falling minus rising in the sense of the stick, averaged over the stations that were
    /// approached from both sides: positive where the surface trails its command, as play does.
    fn play(&self) -> Option<Measured> {
        let points = self.points();
        let commands = points.command_pct.iter().copied();
        let sign = slope_sign(commands.zip(points.deflection_deg.iter().copied()));
        let levels = StationLevels::new(&points.command_pct, &points.side);
        let half_play = levels.measured_half_play_deg(&points, levels.scatter_deg(&points))?;
        Some(Measured::new(
            2.0 * sign * half_play.value,
            2.0 * half_play.sd,
        ))
    }

    /// Mean rest at neutral after the stick came one way.
    fn neutral_after(&self, approach: Approach) -> Option<Measured> {
        let is_in = |station: &StationDeflection| {
            stick::is_neutral(station.stick_pct) && station.approach == approach
        };
        self.averaging(is_in).map(|weights| self.combine(&weights))
    }

    /// Largest difference between two visits to neutral.
    fn return_to_neutral(&self) -> Option<Measured> {
        let visits = || {
            let all = self.stations.iter().enumerate();
            all.filter(|(_, station)| stick::is_neutral(station.stick_pct))
        };
        let by_value = |a: &(usize, &StationDeflection), b: &(usize, &StationDeflection)| {
            a.1.deflection_deg
                .value
                .total_cmp(&b.1.deflection_deg.value)
        };
        let (lowest, _) = visits().min_by(by_value)?;
        let (highest, _) = visits().max_by(by_value)?;
        if lowest == highest {
            return None;
        }
        let mut weights = DVector::zeros(self.stations.len());
        weights[highest] = 1.0;
        weights[lowest] = -1.0;
        Some(self.combine(&weights))
    }

    /// Ends at which the surface rests while the stick goes on.
    fn early_stops(&self) -> Vec<EarlyStop> {
        let rising = self.sticks_pct();
        let falling: Vec<f64> = rising.iter().rev().copied().collect();
        let ends = [falling, rising].map(|inward| self.early_stop(&inward));
        let mut stops: Vec<EarlyStop> = ends.into_iter().flatten().collect();
        stops.sort_by(|a, b| a.stick_pct.total_cmp(&b.stick_pct));
        stops
    }

    /// The early stop at one end, whose stations are given from the end inward.
    fn early_stop(&self, inward_pct: &[f64]) -> Option<EarlyStop> {
        let means: Vec<(f64, DVector<f64>, f64)> = inward_pct
            .iter()
            .filter_map(|&stick_pct| {
                let weights =
                    self.averaging(|station| stick::is_same(station.stick_pct, stick_pct))?;
                let value = self.combine(&weights).value;
                Some((stick_pct, weights, value))
            })
            .collect();
        let mut stop = None;
        for triple in means.windows(3) {
            let [
                (end_pct, end, end_deg),
                (middle_pct, middle, middle_deg),
                (inner_pct, _, inner_deg),
            ] = triple
            else {
                break;
            };
            let slope = (middle_deg - inner_deg) / (middle_pct - inner_pct);
            // A surface that has stopped over several stations has no slope left before the last.
            let mean_slope = self.mean_slope();
            let is_flat = slope.abs() < STOPPED_SHARE * mean_slope.abs();
            let promise_deg = if is_flat { mean_slope } else { slope } * (end_pct - middle_pct);
            let step = self.combine(&(end - middle));
            let step_deg = (end_deg - middle_deg) * promise_deg.signum();
            let is_stopped = promise_deg.abs() > SMALLEST_STEP_DEG.max(2.0 * step.u())
                && step_deg < STOPPED_SHARE * promise_deg.abs();
            if !is_stopped {
                break;
            }
            stop = Some(EarlyStop {
                stick_pct: *middle_pct,
                deflection_deg: self.combine(middle),
            });
        }
        stop
    }

    /// Deflection per stick over the whole travel, deg per pct.
    fn mean_slope(&self) -> f64 {
        let sticks = self.sticks_pct();
        let (Some(&lowest), Some(&highest)) = (sticks.first(), sticks.last()) else {
            return 0.0;
        };
        let at = |stick_pct: f64| {
            let weights = self.averaging(|station| stick::is_same(station.stick_pct, stick_pct));
            weights.map_or(0.0, |weights| self.combine(&weights).value)
        };
        if highest > lowest {
            (at(highest) - at(lowest)) / (highest - lowest)
        } else {
            0.0
        }
    }
}

/// Scatter of the frames beyond the measurement's own noise.
///
/// The uncertainty is that of a variance with that many degrees of freedom (JCGM 100:2008, E.4.3).
fn jitter(scatter: &Scatter) -> Option<Measured> {
    if scatter.freedom < 1.0 {
        return None;
    }
    let excess_rad2 = (scatter.variance_rad2 - scatter.own_rad2).max(0.0);
    let u_of_variance = COVERAGE_FACTOR * scatter.variance_rad2 * (2.0 / scatter.freedom).sqrt();
    let jitter_rad = excess_rad2.sqrt();
    let u_rad = u_of_root(excess_rad2, u_of_variance);
    let sd_rad = u_rad / COVERAGE_FACTOR;
    Some(Measured::new(
        deg_from_rad(jitter_rad),
        deg_from_rad(sd_rad),
    ))
}
