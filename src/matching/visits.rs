//! One surface's measured stations, ready to be fitted: deflection against servo command.

use nalgebra::{DMatrix, DVector};

use crate::measured::Measured;
use crate::response::Responses;
use crate::response_model::Points;
use crate::stick;

use super::constants::RESOLUTION_DEG;
use super::error::MatchingError;

/// A stick beyond an early stop by less than this is at the stop, %; it only absorbs rounding.
const ROUNDING_PCT: f64 = 1e-6;

/// A surface's visits to its stations, in the order of its response.
#[derive(Debug, Clone)]
pub(super) struct Visits {
    /// Surface.
    pub surface: String,
    /// Row of the first visit in the joint covariance.
    pub first_row: usize,
    /// Stick position of each visit.
    pub stick_pct: Vec<f64>,
    /// Command that reached the servo at each visit.
    pub command_pct: Vec<f64>,
    /// Measured deflection of each visit.
    pub deflection_deg: DVector<f64>,
    /// Side of the play: −1 for a stick that came rising, +1 for falling, 0 where not known.
    pub side: Vec<f64>,
    /// Joint covariance of the deflections, deg².
    pub covariance_deg2: DMatrix<f64>,
    /// Visits that count: from the station of an early stop on they do not, since where between that
    /// station and the one before the surface stopped is not known; nor does the clip's first hold
    /// where the same station was also approached from a known side.
    pub used: Vec<usize>,
    /// Half the play as the response stage reports it, where it was seen.
    pub half_play_deg: Option<Measured>,
}

impl Visits {
    /// Collects the visits of a surface; `command_pct` gives its servo's command at a stick.
    pub fn collect(
        responses: &Responses,
        surface: &str,
        command_pct: impl Fn(f64) -> f64,
    ) -> Result<Self, MatchingError> {
        let position = responses
            .surfaces
            .iter()
            .position(|response| response.surface == surface)
            .filter(|&position| !responses.surfaces[position].stations.is_empty())
            .ok_or_else(|| MatchingError::NotMeasured {
                surface: surface.into(),
            })?;
        let (before, response) = (
            &responses.surfaces[..position],
            &responses.surfaces[position],
        );
        let first_row = before.iter().map(|other| other.stations.len()).sum();
        let stations = &response.stations;
        let covariance_deg2 =
            own_covariance_deg2(&responses.covariance_deg2, first_row, stations.len())?;
        let stick_pct: Vec<f64> = stations.iter().map(|at| at.stick_pct).collect();
        let visits = Self {
            surface: surface.into(),
            first_row,
            command_pct: stick_pct.iter().map(|&stick| command_pct(stick)).collect(),
            deflection_deg: DVector::from_iterator(
                stations.len(),
                stations.iter().map(|at| at.deflection_deg.value),
            ),
            stick_pct,
            side: stations
                .iter()
                .map(|at| at.approach.side_of_play())
                .collect(),
            covariance_deg2,
            used: Vec::new(),
            half_play_deg: response
                .health
                .play_deg
                .map(|play| Measured::new(0.5 * play.value.abs(), 0.5 * play.sd)),
        };
        let stops = response.health.early_stop.iter();
        let stops_pct: Vec<f64> = stops.map(|stop| stop.stick_pct).collect();
        visits.sifted(&stops_pct)
    }

    /// Decides which visits count, and rejects a surface that cannot be fitted.
    fn sifted(mut self, early_stops_pct: &[f64]) -> Result<Self, MatchingError> {
        let finite = self.deflection_deg.iter().chain(&self.covariance_deg2);
        if !finite
            .chain(&self.command_pct)
            .all(|value| value.is_finite())
        {
            return Err(MatchingError::NotFinite {
                surface: self.surface,
            });
        }
        let from_stop_on = |stick: f64| {
            early_stops_pct
                .iter()
                .any(|&stop| stop * stick > 0.0 && stick.abs() > stop.abs() - ROUNDING_PCT)
        };
        let known_elsewhere = |visit: usize| {
            (0..self.side.len()).any(|other| {
                self.side[other] != 0.0
                    && stick::is_same(self.stick_pct[other], self.stick_pct[visit])
            })
        };
        let used: Vec<usize> = (0..self.side.len())
            .filter(|&visit| !from_stop_on(self.stick_pct[visit]))
            .filter(|&visit| self.side[visit] != 0.0 || !known_elsewhere(visit))
            .collect();
        self.used = used;
        let stations = self.distinct_commands_pct().len();
        if stations < MatchingError::FEWEST_STATIONS {
            return Err(MatchingError::TooFewStations {
                surface: self.surface,
                stations,
            });
        }
        Ok(self)
    }

    /// Least and largest position of the visits that count, %.
    pub fn span_pct(&self) -> [f64; 2] {
        let sticks = || self.used.iter().map(|&visit| self.stick_pct[visit]);
        [
            sticks().fold(f64::INFINITY, f64::min),
            sticks().fold(f64::NEG_INFINITY, f64::max),
        ]
    }

    /// The different commands of the visits that count, rising.
    pub fn distinct_commands_pct(&self) -> Vec<f64> {
        stick::distinct_pct(self.used.iter().map(|&visit| self.command_pct[visit]))
    }

    /// The visits that count, for the response model.
    pub fn points(&self) -> Points {
        let of = |values: &[f64]| self.used.iter().map(|&visit| values[visit]).collect();
        Points {
            command_pct: of(&self.command_pct),
            side: of(&self.side),
            deflection_deg: self.deflection_deg.select_rows(&self.used),
            covariance_deg2: self
                .covariance_deg2
                .select_rows(&self.used)
                .select_columns(&self.used),
        }
    }

    /// Covariance of the visits that count, with a scatter of their own added, deg².
    pub fn used_covariance_deg2(&self, scatter_deg: f64) -> DMatrix<f64> {
        self.points().with_scatter_deg2(scatter_deg)
    }
}

/// One surface's covariance out of the joint one, with the resolution added, deg².
fn own_covariance_deg2(
    joint_deg2: &DMatrix<f64>,
    first_row: usize,
    count: usize,
) -> Result<DMatrix<f64>, MatchingError> {
    if joint_deg2.nrows() < first_row + count || joint_deg2.ncols() != joint_deg2.nrows() {
        return Err(MatchingError::CovarianceShape {
            rows: joint_deg2.nrows(),
            stations: first_row + count,
        });
    }
    let own = joint_deg2.view((first_row, first_row), (count, count));
    let mut own_deg2 = own.into_owned();
    for row in 0..count {
        own_deg2[(row, row)] += RESOLUTION_DEG.powi(2);
    }
    Ok(own_deg2)
}
