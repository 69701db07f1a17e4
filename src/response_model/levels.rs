//! Levels: a free deflection for each station, and half the play.
//!
//! Half the play is half the difference of falling and rising, averaged over the stations that were approached from
//! both sides. A station's level is the mean of its points with the play's side taken out. Nothing is assumed about
//! the curve. Both are weighted sums of the points, so that their covariance carries over.

use nalgebra::{DMatrix, DVector};

use super::play::{AFTER_FALLING, AFTER_RISING};
use super::points::Points;
use crate::measured::Measured;
use crate::stick;

/// The stations of some points, and how their levels and half the play follow the points.
#[derive(Debug, Clone)]
pub(crate) struct StationLevels {
    /// The different commands, rising.
    pub stations_pct: Vec<f64>,
    /// Points of each station.
    members: Vec<Vec<usize>>,
    /// How half the play follows each point; `None` if no station was approached from both sides.
    play: Option<DVector<f64>>,
    /// How each level, in the middle of the play, follows each point.
    pub gain: DMatrix<f64>,
}

impl StationLevels {
    /// The stations of points at these commands, on these sides of the play.
    pub fn new(command_pct: &[f64], side: &[f64]) -> Self {
        let stations_pct = stick::distinct_pct(command_pct.iter().copied());
        let members: Vec<Vec<usize>> = stations_pct
            .iter()
            .map(|&station| members(station, command_pct, side))
            .collect();
        let play = play_weights(side, &members);
        let gain = level_weights(side, &members, play.as_ref());
        Self {
            stations_pct,
            members,
            play,
            gain,
        }
    }

    /// Half the play; `None` if no station was approached from both sides.
    pub fn half_play_deg(&self, deflection_deg: &DVector<f64>) -> Option<f64> {
        Some(self.play.as_ref()?.dot(deflection_deg))
    }

    /// Half the play with its standard deviation: the points' own and their scatter.
    pub fn measured_half_play_deg(&self, points: &Points, scatter_deg: f64) -> Option<Measured> {
        let play = self.play.as_ref()?;
        let own_deg2 = play.dot(&(&points.covariance_deg2 * play));
        let variance_deg2 = own_deg2 + scatter_deg.powi(2) * play.norm_squared();
        let value_deg = play.dot(&points.deflection_deg);
        Some(Measured::new(value_deg, variance_deg2.max(0.0).sqrt()))
    }

    /// The level of each station, in the middle of the play, deg.
    pub fn levels_deg(&self, deflection_deg: &DVector<f64>) -> DVector<f64> {
        &self.gain * deflection_deg
    }

    /// Scatter of the points about their station's level and the play, beyond their own covariance, deg.
    pub fn scatter_deg(&self, points: &Points) -> f64 {
        let half_play_deg = self.half_play_deg(&points.deflection_deg);
        let levels_deg = self.levels_deg(&points.deflection_deg);
        let (mut squares, mut own) = (0.0, 0.0);
        for (station, level_deg) in self.members.iter().zip(levels_deg.iter()) {
            let share = 1.0 / station.len() as f64;
            for &i in station {
                let of_play = points.side[i] * half_play_deg.unwrap_or(0.0);
                squares += (points.deflection_deg[i] - of_play - level_deg).powi(2);
                own += points.covariance_deg2[(i, i)];
                // Errors that the points of a station share do not scatter.
                for &j in station {
                    own -= share * points.covariance_deg2[(i, j)];
                }
            }
        }
        let used: usize = self.members.iter().map(Vec::len).sum();
        let repeats = used as f64 - self.members.len() as f64;
        let freedom = repeats - f64::from(u8::from(half_play_deg.is_some()));
        if freedom < 1.0 {
            return 0.0;
        }
        (squares / freedom - own / repeats).max(0.0).sqrt()
    }
}

/// The points of a station; those on a side that is not known only where there are no others.
fn members(station_pct: f64, command_pct: &[f64], side: &[f64]) -> Vec<usize> {
    let all = (0..side.len()).filter(|&point| stick::is_same(command_pct[point], station_pct));
    let (known, unknown): (Vec<usize>, Vec<usize>) = all.partition(|&point| side[point] != 0.0);
    if known.is_empty() { unknown } else { known }
}

/// Weights that give half the play.
fn play_weights(side: &[f64], members: &[Vec<usize>]) -> Option<DVector<f64>> {
    let mut weights = DVector::zeros(side.len());
    let mut pairs = 0.0;
    for station in members {
        let from = |wanted: f64| station.iter().copied().filter(move |&i| side[i] == wanted);
        let counts = [AFTER_RISING, AFTER_FALLING].map(|wanted| from(wanted).count());
        if counts.contains(&0) {
            continue;
        }
        pairs += 1.0;
        for (wanted, count) in [AFTER_RISING, AFTER_FALLING].into_iter().zip(counts) {
            for i in from(wanted) {
                weights[i] += 0.5 * wanted / count as f64;
            }
        }
    }
    (pairs > 0.0).then(|| weights / pairs)
}

/// Weights that give each station's mean, the play's side taken out.
fn level_weights(
    side: &[f64],
    members: &[Vec<usize>],
    play: Option<&DVector<f64>>,
) -> DMatrix<f64> {
    let mut gain = DMatrix::zeros(members.len(), side.len());
    for (row, station) in members.iter().enumerate() {
        let share = 1.0 / station.len() as f64;
        for &i in station {
            gain[(row, i)] += share;
            if let Some(play) = play {
                let mut line = gain.row_mut(row);
                line -= share * side[i] * play.transpose();
            }
        }
    }
    gain
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Levels 1, 5 and 8 at 0, 10 and 20 %, half the play 0.25: rising, falling, and a side not known.
    fn points() -> Points {
        let at = [
            (0.0, AFTER_RISING, 0.75),
            (0.0, AFTER_FALLING, 1.25),
            (10.0, AFTER_RISING, 4.75),
            (10.0, AFTER_RISING, 4.75),
            (10.0, AFTER_FALLING, 5.25),
            (20.0, AFTER_FALLING, 8.25),
        ];
        Points {
            command_pct: at.map(|point| point.0).to_vec(),
            side: at.map(|point| point.1).to_vec(),
            deflection_deg: DVector::from_iterator(6, at.map(|point| point.2)),
            covariance_deg2: DMatrix::zeros(6, 6),
        }
    }

    #[test]
    fn exact_points_give_levels_and_play_without_scatter() {
        let points = points();
        let levels = StationLevels::new(&points.command_pct, &points.side);
        assert_eq!(levels.stations_pct, [0.0, 10.0, 20.0]);
        let half_play = levels.measured_half_play_deg(&points, 0.0).unwrap();
        approx::assert_relative_eq!(half_play.value, 0.25, epsilon = 1e-12);
        let found = levels.levels_deg(&points.deflection_deg);
        for (level, expected) in found.iter().zip([1.0, 5.0, 8.0]) {
            approx::assert_relative_eq!(*level, expected, epsilon = 1e-12);
        }
        assert!(levels.scatter_deg(&points) < 1e-9);
    }

    #[test]
    fn scatter_is_the_standard_deviation_of_repeated_visits() {
        // Two visits of each of two stations, ±0.1 and ±0.3 about the mean, play not seen: the variance within
        // groups (0.02 + 0.18) / 2 of a one-way analysis of variance (NIST/SEMATECH e-Handbook, 7.4.3.4).
        let mut points = Points {
            command_pct: vec![0.0, 0.0, 50.0, 50.0],
            side: vec![AFTER_RISING; 4],
            deflection_deg: DVector::from_vec(vec![-0.1, 0.1, 9.7, 10.3]),
            covariance_deg2: DMatrix::zeros(4, 4),
        };
        let levels = StationLevels::new(&points.command_pct, &points.side);
        assert_eq!(levels.half_play_deg(&points.deflection_deg), None);
        approx::assert_relative_eq!(levels.scatter_deg(&points).powi(2), 0.1, epsilon = 1e-12);
        // An error that all points share is no scatter, and explains none.
        points.covariance_deg2.fill(0.04);
        approx::assert_relative_eq!(levels.scatter_deg(&points).powi(2), 0.1, epsilon = 1e-12);
        // Independent errors explain their own part.
        points.covariance_deg2 = DMatrix::identity(4, 4) * 0.04;
        approx::assert_relative_eq!(levels.scatter_deg(&points).powi(2), 0.06, epsilon = 1e-12);
    }
}
