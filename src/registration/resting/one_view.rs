//! One view by itself, from a pose that may be far off: the start of the fit.

use nalgebra::DVector;

use super::scene::Scene;
use super::views::View;
use crate::geometry::{Pose, stepped_pose};
use crate::registration::RIGID;
use crate::registration::gauss_newton::{PLAUSIBLE_TURN_RAD, STEPS};
use crate::solver::{Problem, SolverOptions, solve};

/// One view with all coordinates alike, from a pose that may be far off.
pub(super) struct OneView<'a> {
    pub scene: &'a Scene<'a>,
    pub view: &'a View,
    pub from: Pose,
}

impl OneView<'_> {
    /// Cost, pose and turns.
    pub fn settle(&self) -> Option<(f64, Pose, DVector<f64>)> {
        let start = DVector::zeros(RIGID + self.scene.surfaces);
        let options = SolverOptions {
            iterations: STEPS,
            ..SolverOptions::default()
        };
        let solution = match solve(self, start, &options) {
            Ok((solution, _)) => solution,
            Err(_) => return None,
        };
        let by = &solution.parameters;
        let pose = stepped_pose(&self.from, &by.fixed_rows::<RIGID>(0).into_owned());
        Some((solution.cost, pose, by.rows_range(RIGID..).into_owned()))
    }
}

impl Problem for OneView<'_> {
    fn parameter_count(&self) -> usize {
        RIGID + self.scene.surfaces
    }

    fn residuals(&self, by: &DVector<f64>) -> Option<DVector<f64>> {
        let pose = stepped_pose(&self.from, &by.fixed_rows::<RIGID>(0).into_owned());
        let turns = by.rows_range(RIGID..).into_owned();
        let places = &self.scene.places.tags;
        let misses = self.scene.misses_of(self.view, places, &pose, &turns)?;
        let unlikely = turns.iter().map(|turn_rad| turn_rad / PLAUSIBLE_TURN_RAD);
        Some(DVector::from_iterator(
            self.scene.rows_of_view() + turns.len(),
            misses.into_iter().chain(unlikely),
        ))
    }
}
