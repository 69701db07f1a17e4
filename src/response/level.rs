//! Level zero: how far each surface's neutral is from a position in which all are level.
//!
//! Deflections count from each surface's own neutral, which says nothing of how two neutrals compare.
//! Where the surfaces were held level with each other, their turn from there to neutral says it.

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::averages::{Mean, add_scatter, mean_over};
use super::deflections::{SurfaceMeans, neutral_sum};
use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::motion::{Motion, WeightedSum};
use crate::registration::Registration;

/// The neutral of all surfaces against the position in which they were held level with each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelZero {
    /// Source of the level position: a clip, or a time span of the measured one.
    pub shown_by: String,
    /// In the order of the covariance.
    pub surfaces: Vec<LevelSurface>,
    /// Joint covariance of all neutrals, deg².
    pub covariance_deg2: Vec<Vec<f64>>,
}

/// The neutral of one surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelSurface {
    /// Name of the surface.
    pub name: String,
    /// Its neutral from the level position, in the sense of deflections.
    pub neutral_deg: Measured,
}

impl LevelZero {
    /// Neutral of one surface from the level position, less that of another; `None` where the level
    /// position does not show both.
    pub fn between(&self, reference: &str, follower: &str) -> Option<Measured> {
        let position = |name| {
            self.surfaces
                .iter()
                .position(|surface| surface.name == name)
        };
        let (reference, follower) = (position(reference)?, position(follower)?);
        let of = |row: usize, column: usize| Some(*self.covariance_deg2.get(row)?.get(column)?);
        let variance =
            of(reference, reference)? + of(follower, follower)? - 2.0 * of(reference, follower)?;
        let value = |surface: usize| self.surfaces[surface].neutral_deg.value;
        Some(Measured::new(
            value(follower) - value(reference),
            variance.max(0.0).sqrt(),
        ))
    }

    /// The level positions of two functions of a clip; surfaces of different functions count as
    /// uncorrelated, since nothing is computed from both.
    pub fn joined(one: Option<Self>, other: Option<Self>) -> Option<Self> {
        let (mut all, mut other) = match (one, other) {
            (Some(one), Some(other)) => (one, other),
            (one, other) => return one.or(other),
        };
        append_block(&mut all.covariance_deg2, other.covariance_deg2);
        all.surfaces.append(&mut other.surfaces);
        if all.shown_by != other.shown_by {
            all.shown_by = format!("{}; {}", all.shown_by, other.shown_by);
        }
        Some(all)
    }

    /// From turns of surfaces, rad, that lead from neutral to the level position.
    fn from_turns(
        shown_by: String,
        turns: impl Iterator<Item = (String, f64)>,
        covariance_rad2: &DMatrix<f64>,
    ) -> Self {
        let to_deg = deg_from_rad(1.0);
        let row = |row: usize| {
            let figures = covariance_rad2.row(row);
            figures
                .iter()
                .map(|figure| figure * to_deg * to_deg)
                .collect()
        };
        let surface = |(index, (name, turn_rad)): (usize, (String, f64))| LevelSurface {
            name,
            neutral_deg: Measured::new(
                -turn_rad * to_deg,
                covariance_rad2[(index, index)].max(0.0).sqrt() * to_deg,
            ),
        };
        Self {
            shown_by,
            surfaces: turns.enumerate().map(surface).collect(),
            covariance_deg2: (0..covariance_rad2.nrows()).map(row).collect(),
        }
    }

    /// From a clip that shows the level position, laid over the measured one.
    pub fn of_clip(shown_by: String, found: &Registration) -> Self {
        let names = found.surfaces.iter().cloned();
        let covariance = &found.covariance_rad2 * found.misfit.max(1.0);
        Self::from_turns(
            shown_by,
            names.zip(found.turns_rad.iter().copied()),
            &covariance,
        )
    }

    /// From the frames of the measured clip that show the level position; `None` where they do not show
    /// any surface well enough.
    pub(super) fn of_frames(
        motion: &Motion,
        means: &[SurfaceMeans],
        shown_by: String,
        frames: &[usize],
    ) -> Option<Self> {
        let mut level: Vec<(usize, Mean)> = (0..means.len())
            .filter_map(|surface| Some((surface, mean_over(motion, surface, frames)?)))
            .collect();
        for (surface, mean) in &mut level {
            add_scatter(motion, *surface, &mut [mean]);
        }
        let turn = |(surface, mean): &(usize, Mean)| -> WeightedSum {
            let at_level = mean
                .weights
                .iter()
                .map(|&(frame, weight)| (frame, *surface, weight));
            let neutral = neutral_sum(*surface, &means[*surface]).into_iter();
            let less_neutral = neutral.map(|(frame, surface, weight)| (frame, surface, -weight));
            at_level.chain(less_neutral).collect()
        };
        let sums: Vec<WeightedSum> = level.iter().map(turn).collect();
        let (turns_rad, mut covariance) = motion.weighted_sums(&sums);
        for (row, (_, mean)) in level.iter().enumerate() {
            covariance[(row, row)] += mean.scatter_rad2;
        }
        let names = level
            .iter()
            .map(|(surface, _)| motion.surfaces[*surface].name.clone());
        let turns = names.zip(turns_rad.iter().copied());
        (!level.is_empty()).then(|| Self::from_turns(shown_by, turns, &covariance))
    }
}

/// Adds a block to the diagonal of a square matrix of rows.
pub(crate) fn append_block(matrix: &mut Vec<Vec<f64>>, block: Vec<Vec<f64>>) {
    let (before, added) = (matrix.len(), block.len());
    for row in matrix.iter_mut() {
        row.resize(before + added, 0.0);
    }
    for row in block {
        let mut whole = vec![0.0; before];
        whole.extend(row);
        matrix.push(whole);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn level(shown_by: &str, names: [&str; 2], cross_deg2: f64) -> LevelZero {
        let surface = |(place, name): (usize, &str)| LevelSurface {
            name: name.into(),
            neutral_deg: Measured::new(1.0 + place as f64, 0.3),
        };
        LevelZero {
            shown_by: shown_by.into(),
            surfaces: names.into_iter().enumerate().map(surface).collect(),
            covariance_deg2: vec![vec![0.09, cross_deg2], vec![cross_deg2, 0.09]],
        }
    }

    #[test]
    fn the_level_positions_of_two_functions_keep_their_own_covariances() {
        let flaps = level("2 s to 4 s", ["left flap", "right flap"], 0.04);
        let tips = level("2 s to 4 s", ["left tip", "right tip"], 0.0);
        let all = LevelZero::joined(Some(flaps.clone()), Some(tips)).unwrap();
        assert_eq!(all.shown_by, "2 s to 4 s");
        let sd_deg = |one, other| all.between(one, other).unwrap().sd;
        // The variance of a difference is the sum of both, less twice the covariance.
        assert!((sd_deg("left flap", "right flap") - 0.1_f64.sqrt()).abs() < 1e-12);
        assert!((sd_deg("left tip", "right tip") - 0.18_f64.sqrt()).abs() < 1e-12);
        assert!((sd_deg("left flap", "right tip") - 0.18_f64.sqrt()).abs() < 1e-12);
        let later = level("7 s to 9 s", ["left tip", "right tip"], 0.0);
        let both = LevelZero::joined(Some(flaps.clone()), Some(later)).unwrap();
        assert_eq!(both.shown_by, "2 s to 4 s; 7 s to 9 s");
        assert_eq!(LevelZero::joined(None, Some(flaps.clone())), Some(flaps));
        assert_eq!(LevelZero::joined(None, None), None);
    }
}
