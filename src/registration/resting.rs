//! Lays a clip in which the surfaces rest over an earlier one that shows their hinge lines.
//!
//! A surface at rest shows no hinge line of its own, and the tilt of a single tag is known poorly. So
//! the corners of all tags are compared with what the earlier places predict: unknown are the camera's
//! pose in each view and one turn a surface (generalised least squares, as between two clips that move).

use nalgebra::{DMatrix, DVector, Point2, Vector2};

use super::{
    EXACT_VARIANCE, PLAUSIBLE_TURN_RAD, RIGID, Registration, SETTLED, STEPS, derivative, displaced,
};
use crate::camera::Camera;
use crate::clip::{ClipInfo, Lines};
use crate::geometry::{PlanarPose, Pose, corners_in_tag, stepped_pose};
use crate::motion::{FitOptions, PlacedTag, TagsAtNeutral};
use crate::solver::{Problem, SolverOptions, scaled_inverse, solve};
use crate::statistics::median;
use crate::tags::{SightedFrame, Sighting, Sightings};

/// Coordinates of a tag's corners.
const TAG_ROWS: usize = 8;
/// Tags that wander less than this rest before a still camera, px.
const STILL_PX: f64 = 0.5;
/// Views that are taken of a clip in which the camera moves: what lasts in the corners' errors is the
/// same in all, so more would add little.
const VIEWS: usize = 12;
/// As many frames of a rest count as independent: most of a corner's error lasts through a rest.
const INDEPENDENT_FRAMES: f64 = 10.0;
/// A misfit beyond this means that a tag was moved or a surface did not rest. 180 pairs of synthetic films
/// have 1.2 at most, holds of rendered clips taken as level clips more; a tag that was stuck on anew 2 mm off
/// along the hinge gives 4.6 and more.
pub const LARGEST_RESTING_MISFIT: f64 = 4.0;
/// Variance of a median over that of a mean, of normal errors: π/2.
const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;
/// A tag is used if it is seen in this share of the frames of the tag that is seen most.
const LEAST_SHARE: f64 = 0.3;

/// Why a clip in which the surfaces rest cannot be laid over an earlier one.
#[derive(Debug, Clone, PartialEq)]
pub enum NotLaid {
    /// No frame shows at least two of the earlier tags, one of them on a surface, together.
    TooFewTags {
        /// Tags of the earlier clip that are seen at all.
        seen: Vec<u32>,
    },
    /// The tags are not where they were, or the surfaces moved.
    DoesNotFit {
        /// Squared misfit in units of what the errors lead to expect.
        misfit: f64,
    },
    /// The fit did not settle.
    NotSettled,
}

/// One picture of all tags that are used.
struct View {
    corners_px: Vec<[Point2<f64>; 4]>,
    /// Variance of the noise of every coordinate, px²: one block a tag.
    noise_px2: Vec<DMatrix<f64>>,
    /// How every coordinate follows the time in which the camera reads a picture, px/s.
    by_readout: Vec<f64>,
}

/// Fits the turn of each surface from the measured clip's neutral to where it rests in another clip.
///
/// `camera` is the lens of the resting clip. The misfit is at most [`LARGEST_RESTING_MISFIT`].
///
/// # Errors
/// See [`NotLaid`].
pub fn register_resting(
    measured: &TagsAtNeutral,
    resting: &Sightings,
    camera: &Camera,
    options: &FitOptions,
) -> Result<Registration, NotLaid> {
    let ids: Vec<u32> = measured.tags.iter().map(|tag| tag.tag_id).collect();
    let (used, frames) = frames_together(&ids, &resting.frames);
    let places = measured.only(&used);
    let surfaces = places.surfaces();
    if places.tags.len() < 2 || surfaces.is_empty() || frames.is_empty() {
        return Err(NotLaid::TooFewTags { seen: used });
    }
    let scene = Scene {
        views: views(&used, &frames, &resting.clip),
        places: &places,
        surfaces: surfaces.len(),
        camera,
    };
    let start = scene.start().ok_or(NotLaid::NotSettled)?;
    let found = scene.settle(start, options).ok_or(NotLaid::NotSettled)?;
    let misfit = found.chi2 / scene.freedom();
    if misfit > LARGEST_RESTING_MISFIT {
        return Err(NotLaid::DoesNotFit { misfit });
    }
    let count = surfaces.len();
    let first = found.covariance.nrows() - count;
    Ok(Registration {
        surfaces,
        turns_rad: found.state.turns_rad,
        covariance_rad2: found.covariance.view((first, first), (count, count)).into(),
        return_rad2: DVector::zeros(count),
        misfit,
    })
}

/// The tags that are seen often enough, and the frames that show all of them.
fn frames_together<'a>(
    ids: &[u32],
    frames: &'a [SightedFrame],
) -> (Vec<u32>, Vec<&'a SightedFrame>) {
    let count = |id: u32| {
        frames
            .iter()
            .filter(|frame| frame.sighting(id).is_some())
            .count()
    };
    let most = ids.iter().map(|&id| count(id)).max().unwrap_or(0);
    let is_used = |id: &u32| count(*id) > 0 && count(*id) as f64 >= LEAST_SHARE * most as f64;
    let used: Vec<u32> = ids.iter().copied().filter(is_used).collect();
    let shows_all = |frame: &&SightedFrame| used.iter().all(|&id| frame.sighting(id).is_some());
    let together = frames.iter().filter(shows_all).collect();
    (used, together)
}

/// One view of tags that rest before a still camera, else some frames by themselves.
fn views(ids: &[u32], frames: &[&SightedFrame], clip: &ClipInfo) -> Vec<View> {
    let of_tag = |id: u32| frames.iter().filter_map(move |frame| frame.sighting(id));
    let middle = |id: u32, corner: usize| {
        let coordinate = |axis: usize| {
            median(of_tag(id).map(|seen| seen.corners_px[corner][axis])).unwrap_or(0.0)
        };
        Point2::new(coordinate(0), coordinate(1))
    };
    let middles: Vec<[Point2<f64>; 4]> = ids
        .iter()
        .map(|&id| std::array::from_fn(|corner| middle(id, corner)))
        .collect();
    let wander_px = |(&id, middles): (&u32, &[Point2<f64>; 4])| {
        let off = |seen: &Sighting| {
            let pairs = seen.corners_px.iter().zip(middles);
            pairs.map(|(a, b)| (a - b).norm()).fold(0.0, f64::max)
        };
        median(of_tag(id).map(off)).unwrap_or(0.0)
    };
    let is_still = ids
        .iter()
        .zip(&middles)
        .all(|tag| wander_px(tag) < STILL_PX);
    if is_still {
        let independent = (frames.len() as f64).min(INDEPENDENT_FRAMES);
        let inflation = if frames.len() < 3 {
            1.0
        } else {
            MEDIAN_VARIANCE
        };
        let noise = |id: u32| {
            let mut sum = DMatrix::zeros(TAG_ROWS, TAG_ROWS);
            of_tag(id).for_each(|seen| sum += noise_px2(seen));
            sum * (inflation / (frames.len() as f64 * independent))
        };
        return vec![View {
            corners_px: middles,
            noise_px2: ids.iter().map(|&id| noise(id)).collect(),
            by_readout: vec![0.0; TAG_ROWS * ids.len()],
        }];
    }
    let count = frames.len().min(VIEWS);
    let chosen = (0..count).map(|view| (2 * view + 1) * frames.len() / (2 * count));
    chosen
        .map(|position| {
            let frame = frames[position];
            let seen: Vec<&Sighting> = ids.iter().filter_map(|&id| frame.sighting(id)).collect();
            View {
                corners_px: seen.iter().map(|seen| seen.corners_px).collect(),
                noise_px2: seen.iter().map(|seen| noise_px2(seen)).collect(),
                by_readout: by_readout(ids, frames, position, clip),
            }
        })
        .collect()
}

/// How corners are displaced by each second in which a moving camera reads a picture: the later a line,
/// the further it has moved (as in the joint fit).
fn by_readout(ids: &[u32], frames: &[&SightedFrame], position: usize, clip: &ClipInfo) -> Vec<f64> {
    let before = frames[position.saturating_sub(1)];
    let after = frames[(position + 1).min(frames.len() - 1)];
    let lasting_s = after.time_s - before.time_s;
    let of_tag = |&id: &u32| {
        let [from, to] = [before, after].map(|frame| frame.sighting(id));
        let here = frames[position].sighting(id);
        (0..TAG_ROWS).map(move |row| {
            let (corner, axis) = (row / 2, row % 2);
            let (Some(from), Some(to), Some(here)) = (from, to, here) else {
                return 0.0;
            };
            let late_share = match clip.lines {
                Lines::Rows => here.corners_px[corner].y / clip.height_px as f64 - 0.5,
                Lines::Columns => here.corners_px[corner].x / clip.width_px as f64 - 0.5,
            };
            let moved_px = to.corners_px[corner][axis] - from.corners_px[corner][axis];
            if lasting_s > 0.0 {
                late_share * moved_px / lasting_s
            } else {
                0.0
            }
        })
    };
    ids.iter().flat_map(of_tag).collect()
}

fn noise_px2(seen: &Sighting) -> DMatrix<f64> {
    DMatrix::from_fn(TAG_ROWS, TAG_ROWS, |row, column| {
        f64::from(seen.covariance_px2[(row, column)])
    })
}

/// What is fitted to what.
struct Scene<'a> {
    views: Vec<View>,
    places: &'a TagsAtNeutral,
    surfaces: usize,
    camera: &'a Camera,
}

/// The camera in every view and the turns of the surfaces.
#[derive(Clone)]
struct State {
    camera_from_reference: Vec<Pose>,
    turns_rad: DVector<f64>,
}

struct Settled {
    state: State,
    covariance: DMatrix<f64>,
    chi2: f64,
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
    fn rows_of_view(&self) -> usize {
        TAG_ROWS * self.places.tags.len()
    }

    fn rows(&self) -> usize {
        self.views.len() * self.rows_of_view()
    }

    fn unknowns(&self) -> usize {
        RIGID * self.views.len() + self.surfaces
    }

    fn freedom(&self) -> f64 {
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

    /// Seen minus predicted corners of all views, px.
    fn misses(&self, places: &[PlacedTag], state: &State) -> Option<DVector<f64>> {
        let mut misses = Vec::with_capacity(self.rows());
        for (view, pose) in self.views.iter().zip(&state.camera_from_reference) {
            let seen = view.corners_px.iter().flatten();
            let seen = seen.flat_map(|corner| [corner.x, corner.y]);
            let predicted = self.predicted_px(places, pose, &state.turns_rad)?;
            misses.extend(
                seen.zip(predicted)
                    .map(|(seen, predicted)| seen - predicted),
            );
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
    fn settle(&self, start: State, options: &FitOptions) -> Option<Settled> {
        let own = self.corner_covariance(options);
        let mut state = start;
        for _ in 0..STEPS {
            let (by, settled) = self.step(&state, &own)?;
            state = state.moved(&by);
            if by.amax() < SETTLED.sqrt() {
                return Some(Settled { state, ..settled });
            }
        }
        None
    }

    fn step(&self, state: &State, own: &DMatrix<f64>) -> Option<(DVector<f64>, Settled)> {
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
        let whitening =
            super::whitening(own + &carry * &self.places.covariance * carry.transpose())?;
        let (slope, misses) = (&whitening * slope, whitening * misses);
        let mut information = slope.tr_mul(&slope);
        let mut gradient = slope.tr_mul(&misses);
        let first = self.unknowns() - self.surfaces;
        let weight = PLAUSIBLE_TURN_RAD.powi(-2);
        for (surface, turn_rad) in state.turns_rad.iter().enumerate() {
            information[(first + surface, first + surface)] += weight;
            gradient[first + surface] += weight * turn_rad;
        }
        let covariance = scaled_inverse(&information)?;
        let by = -(&covariance * gradient);
        let settled = Settled {
            state: state.clone(),
            covariance,
            chi2: misses.norm_squared(),
        };
        by.iter()
            .all(|step| step.is_finite())
            .then_some((by, settled))
    }

    /// Covariance of all coordinates, px²: noise of each view; errors of corners that last through the
    /// clip; each tag's place, anew in each view; edges that all move in or out alike; and lines that a
    /// moving camera reads one after the other.
    fn corner_covariance(&self, options: &FitOptions) -> DMatrix<f64> {
        let of_view = self.rows_of_view();
        let mut covariance = DMatrix::zeros(self.rows(), self.rows());
        let mut inwards = DVector::zeros(self.rows());
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
                let shifts = inward(corners);
                inwards.rows_mut(first, TAG_ROWS).copy_from_slice(&shifts);
            }
        }
        for row in 0..self.rows() {
            for column in (row % of_view..self.rows()).step_by(of_view) {
                covariance[(row, column)] += lasting_px2;
            }
            covariance[(row, row)] += EXACT_VARIANCE;
        }
        covariance
            + &inwards * inwards.transpose() * options.edge_shift_sd_px.powi(2)
            + &readout * readout.transpose() * options.readout_sd_s.powi(2)
    }
}

/// How the corners move where all edges move in by one pixel.
fn inward(corners: &[Point2<f64>; 4]) -> [f64; TAG_ROWS] {
    let along = |from: usize, to: usize| (corners[to % 4] - corners[from % 4]).normalize();
    let mut shifts = [0.0; TAG_ROWS];
    for corner in 0..4 {
        let shift: Vector2<f64> = along(corner, corner + 1) + along(corner, corner + 3);
        shifts[2 * corner] = shift.x;
        shifts[2 * corner + 1] = shift.y;
    }
    shifts
}

/// One view with all coordinates alike, from a pose that may be far off.
struct OneView<'a> {
    scene: &'a Scene<'a>,
    view: &'a View,
    from: Pose,
}

impl OneView<'_> {
    /// Cost, pose and turns.
    fn settle(&self) -> Option<(f64, Pose, DVector<f64>)> {
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
        let predicted = self.scene.predicted_px(places, &pose, &turns)?;
        let seen = self.view.corners_px.iter().flatten();
        let seen = seen.flat_map(|corner| [corner.x, corner.y]);
        let misses = seen
            .zip(predicted)
            .map(|(seen, predicted)| seen - predicted);
        let unlikely = turns.iter().map(|turn_rad| turn_rad / PLAUSIBLE_TURN_RAD);
        Some(DVector::from_iterator(
            self.scene.rows_of_view() + turns.len(),
            misses.chain(unlikely.clone()),
        ))
    }
}
