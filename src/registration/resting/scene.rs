//! The camera in every view and the turns of the surfaces, fitted to the corners of all tags.

use nalgebra::{DMatrix, DVector, Point2};

use super::one_view::OneView;
use super::views::{TAG_ROWS, View, rows_of};
use crate::camera::Camera;
use crate::geometry::{PlanarPose, Pose, corners_in_tag, stepped_pose};
use crate::motion::{FitOptions, PlacedTag, TagsAtNeutral, edge_slope};
use crate::registration::gauss_newton::{SETTLED, Step, derivative, settle};
use crate::registration::{RIGID, displaced};

/// What is fitted to what.
pub(super) struct Scene<'a> {
    pub views: Vec<View>,
    pub places: &'a TagsAtNeutral,
    pub surfaces: usize,
    pub camera: &'a Camera,
}

/// The camera in every view and the turns of the surfaces.
pub(super) struct State {
    camera_from_reference: Vec<Pose>,
    pub turns_rad: DVector<f64>,
}

impl State {
    fn moved(&self, by: &DVector<f64>) -> Self {
        let poses = self.camera_from_reference.iter().enumerate();
        let turns = RIGID * self.camera_from_reference.len();
        Self {
            camera_from_reference: poses
                .map(|(view, pose)| {
                    stepped_pose(pose, &by.fixed_rows::<RIGID>(RIGID * view).into_owned())
                })
                .collect(),
            turns_rad: &self.turns_rad + by.rows_range(turns..),
        }
    }
}

impl Scene<'_> {
    pub fn rows_of_view(&self) -> usize {
        TAG_ROWS * self.places.tags.len()
    }

    fn rows(&self) -> usize {
        self.views.len() * self.rows_of_view()
    }

    fn unknowns(&self) -> usize {
        RIGID * self.views.len() + self.surfaces
    }

    pub fn freedom(&self) -> f64 {
        (self.rows() - self.unknowns()) as f64
    }

    /// Where the corners of one view should be seen, px.
    fn predicted_px(
        &self,
        places: &[PlacedTag],
        pose: &Pose,
        turns: &DVector<f64>,
    ) -> Option<Vec<f64>> {
        let mut turns = turns.iter();
        let mut predicted = Vec::with_capacity(self.rows_of_view());
        for tag in places {
            let mut reference_from_tag = tag.reference_from_tag;
            if let Some(on) = &tag.surface {
                let turn_rad = turns.next().copied().unwrap_or(0.0);
                reference_from_tag = on.hinge.line.carry(&reference_from_tag, turn_rad);
            }
            let camera_from_tag = pose * reference_from_tag;
            for corner in corners_in_tag(tag.edge_mm) {
                let seen = self.camera.project(&(camera_from_tag * corner))?;
                predicted.extend([seen.x, seen.y]);
            }
        }
        Some(predicted)
    }

    /// Seen minus predicted corners of one view, px.
    pub fn misses_of(
        &self,
        view: &View,
        places: &[PlacedTag],
        pose: &Pose,
        turns_rad: &DVector<f64>,
    ) -> Option<Vec<f64>> {
        let predicted = self.predicted_px(places, pose, turns_rad)?;
        let seen = view.corners_px.iter().flatten();
        let seen = seen.flat_map(|corner| [corner.x, corner.y]);
        Some(
            seen.zip(predicted)
                .map(|(seen, predicted)| seen - predicted)
                .collect(),
        )
    }

    /// Seen minus predicted corners of all views, px.
    fn misses(&self, places: &[PlacedTag], state: &State) -> Option<DVector<f64>> {
        let mut misses = Vec::with_capacity(self.rows());
        for (view, pose) in self.views.iter().zip(&state.camera_from_reference) {
            misses.extend(self.misses_of(view, places, pose, &state.turns_rad)?);
        }
        Some(DVector::from_vec(misses))
    }

    /// Each view by itself, from every pose that a single tag allows.
    fn start(&self) -> Option<State> {
        let mut poses = Vec::new();
        let mut turns = DVector::zeros(self.surfaces);
        for view in &self.views {
            let alone = self.places.tags.iter().zip(&view.corners_px);
            let candidates = alone.flat_map(|(tag, corners)| self.candidates(tag, corners));
            let settled = candidates.filter_map(|from| {
                OneView {
                    scene: self,
                    view,
                    from,
                }
                .settle()
            });
            let best = settled.min_by(|a, b| a.0.total_cmp(&b.0))?;
            poses.push(best.1);
            turns += best.2 / self.views.len() as f64;
        }
        Some(State {
            camera_from_reference: poses,
            turns_rad: turns,
        })
    }

    /// The camera as a single tag shows it.
    fn candidates(&self, tag: &PlacedTag, corners_px: &[Point2<f64>; 4]) -> Vec<Pose> {
        let normalised: Option<Vec<Point2<f64>>> = corners_px
            .iter()
            .map(|corner| self.camera.undistort(corner))
            .collect();
        let corners = normalised.and_then(|corners| <[Point2<f64>; 4]>::try_from(corners).ok());
        let planar = corners.and_then(|corners| PlanarPose::from_corners(tag.edge_mm, &corners));
        let tag_from_reference = tag.reference_from_tag.inverse();
        let poses = planar.into_iter().flat_map(|planar| planar.candidates);
        poses
            .map(|camera_from_tag| camera_from_tag * tag_from_reference)
            .collect()
    }

    /// Gauss–Newton steps with the covariance of the corners and of the earlier places.
    pub fn settle(&self, options: &FitOptions) -> Option<(State, Step)> {
        let own = self.corner_covariance(options);
        let step = |state: &State| self.step(state, &own);
        settle(self.start()?, SETTLED.sqrt(), step, State::moved)
    }

    fn step(&self, state: &State, own: &DMatrix<f64>) -> Option<Step> {
        let places = &self.places.tags;
        let rows = self.rows();
        let misses = self.misses(places, state)?;
        let or_far = |misses: Option<DVector<f64>>| {
            misses.unwrap_or_else(|| DVector::from_element(rows, f64::NAN))
        };
        let slope = derivative(self.unknowns(), rows, |by| {
            or_far(self.misses(places, &state.moved(by)))
        });
        let carry = derivative(self.places.covariance.nrows(), rows, |by| {
            or_far(self.misses(&displaced(places, by), state))
        });
        let covariance = own + &carry * &self.places.covariance * carry.transpose();
        Step::of(slope, misses, covariance, &state.turns_rad)
    }

    /// Covariance of all coordinates, px²: noise of each view; errors of corners that last through the
    /// clip; each tag's place, anew in each view; edges that all move in or out alike; and lines that a
    /// moving camera reads one after the other.
    fn corner_covariance(&self, options: &FitOptions) -> DMatrix<f64> {
        let of_view = self.rows_of_view();
        let mut covariance = DMatrix::zeros(self.rows(), self.rows());
        let mut outwards = DVector::zeros(self.rows());
        let readout = self
            .views
            .iter()
            .flat_map(|view| view.by_readout.iter().copied());
        let readout = DVector::from_iterator(self.rows(), readout);
        let lasting_px2 = options.corner_error_sd_px.powi(2);
        let place_px2 = options.place_error_sd_px.powi(2);
        for (number, view) in self.views.iter().enumerate() {
            for (tag, (noise, corners)) in view.noise_px2.iter().zip(&view.corners_px).enumerate() {
                let first = number * of_view + tag * TAG_ROWS;
                let mut block = covariance.view_mut((first, first), (TAG_ROWS, TAG_ROWS));
                block += noise;
                for (row, column) in (0..TAG_ROWS).flat_map(|a| (0..TAG_ROWS).map(move |b| (a, b)))
                {
                    if row % 2 == column % 2 {
                        block[(row, column)] += place_px2;
                    }
                }
                outwards
                    .rows_mut(first, TAG_ROWS)
                    .copy_from(&edge_slope(&rows_of(corners)));
            }
        }
        for row in 0..self.rows() {
            for column in (row % of_view..self.rows()).step_by(of_view) {
                covariance[(row, column)] += lasting_px2;
            }
        }
        covariance
            + &outwards * outwards.transpose() * options.edge_shift_sd_px.powi(2)
            + &readout * readout.transpose() * options.readout_sd_s.powi(2)
    }
}
