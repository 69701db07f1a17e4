//! Levels of one surface at the holds of a clip, and half its play.

use crate::stations::constants::HALF_PLAY_BY_HOLDS_SD_DEG;
use nalgebra::DVector;

use crate::response_model::{HALF_PLAY_PRIOR_DEG, StationLevels};
use crate::stations::hold::Hold;
use crate::stations::scene::Scene;
use crate::statistics::median;

/// One surface at the holds: its stations, and its median deflection in each hold.
pub(in crate::stations) struct HoldLevels {
    stations: StationLevels,
    deflection_deg: DVector<f64>,
}

impl HoldLevels {
    pub fn new(scene: &Scene, surface: usize, holds: &[Hold]) -> Self {
        let angles = &scene.trace.surfaces[surface].angle_deg;
        let level = |hold: &Hold| {
            let settled = hold.frames.iter().filter_map(|&frame| angles[frame]);
            let level_deg = median(settled)?;
            Some((hold.stick_pct, hold.approach.side_of_play(), level_deg))
        };
        let levels: Vec<(f64, f64, f64)> = holds.iter().filter_map(level).collect();
        let of = |value: fn(&(f64, f64, f64)) -> f64| levels.iter().map(value).collect::<Vec<_>>();
        Self {
            stations: StationLevels::new(&of(|at| at.0), &of(|at| at.1)),
            deflection_deg: DVector::from_vec(of(|at| at.2)),
        }
    }

    /// The different sticks, rising.
    pub fn stations_pct(&self) -> &[f64] {
        &self.stations.stations_pct
    }

    /// The level of each station, in the middle of the play, deg.
    pub fn levels_deg(&self) -> DVector<f64> {
        self.stations.levels_deg(&self.deflection_deg)
    }

    /// Half the play, falling less rising; `None` if no station was approached from both sides.
    pub fn half_play_deg(&self) -> Option<f64> {
        self.stations.half_play_deg(&self.deflection_deg)
    }
}

/// How well half the play is known.
pub(in crate::stations) fn half_play_sd_deg(from_holds: Option<f64>) -> f64 {
    match from_holds {
        Some(_) => HALF_PLAY_BY_HOLDS_SD_DEG,
        None => HALF_PLAY_PRIOR_DEG,
    }
}
