//! The Cramér–Rao bound of a synthetic film: how small the errors could be at best.
//!
//! From a numeric Jacobian of the world's own projection, with the parameters that nobody knows:
//! hinge lines, tags on the surfaces, extra airframe tags, deflections, camera poses, and the
//! edge shift with its prior. Gauge: the deflections of frame `gauge_frame` are zero.

use hingewise::tags::SightedFrame;
use nalgebra::{DMatrix, DVector};

use super::rigid::{HingeLine, Pose, add, cross, product, times, turn_by_vector, unit};
use super::world::{Film, corners_in_tag};

/// What the bound is computed for.
#[derive(Debug, Clone, Copy)]
pub struct Unknowns {
    /// The camera's pose is unknown in each frame; otherwise it is known to stand still.
    pub camera_moves: bool,
    /// Prior standard deviation of the edge shift; 0: known.
    pub edge_shift_sd_px: f64,
}

/// A weighted sum of deflections, `(frame, surface, weight)`; weights add up to zero.
pub type Sum = Vec<(usize, usize, f64)>;

/// Smallest standard deviations, degrees, that unbiased estimates of the sums can have.
pub fn bounds_deg(film: &Film, unknowns: Unknowns, sums: &[Sum]) -> Vec<f64> {
    let bound = Bound::new(film, unknowns);
    let information = bound.information();
    let covariance = information.cholesky().unwrap();
    sums.iter()
        .map(|sum| {
            let mut gain = DVector::zeros(bound.count());
            for (frame, surface, weight) in sum {
                if let Some(column) = bound.angle_column(*frame, *surface) {
                    gain[column] += weight;
                }
            }
            gain.dot(&covariance.solve(&gain)).sqrt().to_degrees()
        })
        .collect()
}

struct Bound<'a> {
    film: &'a Film,
    unknowns: Unknowns,
    constants: usize,
    a_frame: usize,
}

impl<'a> Bound<'a> {
    fn new(film: &'a Film, unknowns: Unknowns) -> Self {
        let surfaces = film.aircraft.surfaces.len();
        let extra = film.aircraft.airframe_tags.len().saturating_sub(1);
        // With a still camera the first airframe tag is as unknown as the others.
        let static_tags = if unknowns.camera_moves {
            extra
        } else {
            extra + 1
        };
        let static_tags = if film.aircraft.airframe_tags.is_empty() {
            0
        } else {
            static_tags
        };
        Self {
            film,
            unknowns,
            constants: 10 * surfaces + 6 * static_tags + 1,
            a_frame: surfaces + if unknowns.camera_moves { 6 } else { 0 },
        }
    }

    fn count(&self) -> usize {
        self.constants + self.a_frame * self.film.truth.frames.len()
    }

    fn angle_column(&self, frame: usize, surface: usize) -> Option<usize> {
        Some(self.constants + self.a_frame * frame + surface)
    }

    /// JᵀJ of all whitened corners, plus the priors and the gauge.
    fn information(&self) -> DMatrix<f64> {
        let mut information = DMatrix::zeros(self.count(), self.count());
        for (frame, sighted) in self.film.sightings.frames.iter().enumerate() {
            let columns: Vec<usize> = (0..self.constants)
                .chain((0..self.a_frame).map(|i| self.constants + self.a_frame * frame + i))
                .collect();
            let jacobian = self.frame_jacobian(frame, sighted);
            let block = jacobian.tr_mul(&jacobian);
            for (i, row) in columns.iter().enumerate() {
                for (j, column) in columns.iter().enumerate() {
                    information[(*row, *column)] += block[(i, j)];
                }
            }
        }
        let edge = self.constants - 1;
        let edge_sd = self.unknowns.edge_shift_sd_px.max(1e-9);
        information[(edge, edge)] += edge_sd.powi(-2);
        // The zero of the deflections is arbitrary: a firm word on the first frame's settles it.
        for surface in 0..self.film.aircraft.surfaces.len() {
            let column = self.constants + surface;
            information[(column, column)] += 1e8;
        }
        information
    }

    fn frame_jacobian(&self, frame: usize, sighted: &SightedFrame) -> DMatrix<f64> {
        let count = self.constants + self.a_frame;
        let mut jacobian = DMatrix::zeros(8 * sighted.sightings.len(), count);
        for column in 0..count {
            let step = 1e-4;
            let mut moved = vec![0.0; count];
            moved[column] = step;
            let above = self.whitened(frame, sighted, &moved);
            moved[column] = -step;
            let below = self.whitened(frame, sighted, &moved);
            jacobian.set_column(column, &((above - below) / (2.0 * step)));
        }
        jacobian
    }

    /// Corners of one frame, whitened, with the unknowns moved off the truth. Angles are in
    /// radians, lengths in units of 100 mm.
    fn whitened(&self, frame: usize, sighted: &SightedFrame, moved: &[f64]) -> DVector<f64> {
        const MM: f64 = 100.0;
        let aircraft = &self.film.aircraft;
        let surfaces = aircraft.surfaces.len();
        let truth = &self.film.truth.frames[frame];
        let of_frame = &moved[self.constants..];
        let mut camera_from_world = truth.camera_from_world;
        if self.unknowns.camera_moves {
            let by = &of_frame[surfaces..];
            let pivot = aircraft.airframe_tags[0].world_from_tag.translation;
            let turned = turn_by_vector([by[0], by[1], by[2]]);
            let about = camera_from_world.point(pivot);
            let offset = super::rigid::sub(camera_from_world.translation, about);
            camera_from_world = Pose {
                rotation: product(&turned, &camera_from_world.rotation),
                translation: add(
                    add(about, super::rigid::apply(&turned, offset)),
                    [by[3] * MM, by[4] * MM, by[5] * MM],
                ),
            };
        }
        let nudged = |pose: &Pose, by: &[f64]| Pose {
            rotation: product(&turn_by_vector([by[0], by[1], by[2]]), &pose.rotation),
            translation: add(pose.translation, [by[3] * MM, by[4] * MM, by[5] * MM]),
        };
        let mut rows = vec![];
        for sighting in &sighted.sightings {
            let on_surface = aircraft
                .surfaces
                .iter()
                .position(|surface| surface.tag.id == sighting.tag_id);
            let (edge_mm, world_from_tag) = match on_surface {
                Some(index) => {
                    let surface = &aircraft.surfaces[index];
                    let by = &moved[10 * index..10 * index + 10];
                    let hinge = nudged_hinge(&surface.hinge, &by[..4], MM);
                    let tag = nudged(&surface.tag.world_from_tag, &by[4..]);
                    let angle = truth.deflection_deg[index].to_radians() + of_frame[index];
                    (surface.tag.edge_mm, hinge.carried(&tag, angle))
                }
                None => {
                    let index = aircraft
                        .airframe_tags
                        .iter()
                        .position(|tag| tag.id == sighting.tag_id)
                        .unwrap();
                    let tag = &aircraft.airframe_tags[index];
                    let skipped = usize::from(self.unknowns.camera_moves);
                    if index < skipped {
                        (tag.edge_mm, tag.world_from_tag)
                    } else {
                        let at = 10 * surfaces + 6 * (index - skipped);
                        (tag.edge_mm, nudged(&tag.world_from_tag, &moved[at..at + 6]))
                    }
                }
            };
            let camera_from_tag = camera_from_world.after(&world_from_tag);
            let corners = corners_in_tag(edge_mm).map(|corner| {
                self.film
                    .filming
                    .lens
                    .project(camera_from_tag.point(corner))
            });
            let shifted = super::sighting::with_edges_moved(&corners, moved[self.constants - 1]);
            let flat = DVector::from_fn(8, |row, _| shifted[row / 2][row % 2]);
            let root = sighting.covariance_px2.cast::<f64>().cholesky().unwrap();
            let whitened = root
                .l()
                .solve_lower_triangular(&flat.fixed_rows::<8>(0).into_owned())
                .unwrap();
            rows.extend(whitened.iter().copied());
        }
        DVector::from_vec(rows)
    }
}

fn nudged_hinge(hinge: &HingeLine, by: &[f64], mm: f64) -> HingeLine {
    let helper = if hinge.direction[2].abs() < 0.8 {
        [0.0, 0.0, 1.0]
    } else {
        [0.0, 1.0, 0.0]
    };
    let first = unit(cross(hinge.direction, helper));
    let second = cross(hinge.direction, first);
    let across = |a: f64, b: f64| add(times(first, a), times(second, b));
    HingeLine {
        point_mm: add(hinge.point_mm, across(by[2] * mm, by[3] * mm)),
        direction: unit(add(hinge.direction, across(by[0], by[1]))),
    }
}
