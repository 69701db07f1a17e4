//! Motion: the deflection of each surface in each frame, with its uncertainty.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector, Point3, Rotation3, Unit, Vector3};

use super::FitPass;
use super::conclude::at_neutral::TagsAtZero;
use super::select::correlated_errors::LastingErrors;
use crate::camera::Camera;
use crate::measured::Measured;

/// One surface's deflection in one frame, against an arbitrary zero that is the same in all frames.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameDeflection {
    /// Rotation about the hinge, positive after [`crate::conventions`].
    pub angle_rad: f64,
    /// How the angle follows a change of the constants of the fit, rad per unit of each.
    pub gain: DVector<f64>,
    /// What a tag that looked a little otherwise than in the rest of the clip adds to its error.
    pub misfit: Option<Misfit>,
}

/// An error that some neighbouring frames have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Misfit {
    /// Standard deviation.
    pub sd_rad: f64,
    /// Number of the run of frames, unique in the clip.
    pub run: usize,
}

/// All deflections of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionFrame {
    /// Position of the frame in the clip.
    pub index: usize,
    /// Presentation time.
    pub time_s: f64,
    /// One entry a surface, in the order of [`Motion::surfaces`]; `None` where it was not measured.
    pub deflections: Vec<Option<FrameDeflection>>,
    /// Covariance of the angles given the constants, rad², surfaces × surfaces.
    pub own_covariance_rad2: DMatrix<f64>,
}

/// A surface's hinge as fitted, in the camera frame of the first frame used.
#[derive(Debug, Clone, PartialEq)]
pub struct SurfaceMotion {
    /// Name of the surface.
    pub name: String,
    /// Id of its tag.
    pub tag_id: u32,
    /// Direction of the hinge line; a right-handed turn about it is a positive deflection.
    pub axis_in_camera: Unit<Vector3<f64>>,
    /// The point of the hinge line next to the tag, mm.
    pub point_in_camera_mm: Point3<f64>,
    /// Distance from the hinge line to the tag's centre.
    pub radius_mm: Measured,
    /// Direction from that point to the tag's centre, at the arbitrary zero of the fit's angles.
    pub arm_at_zero_in_camera: Unit<Vector3<f64>>,
}

impl SurfaceMotion {
    /// Direction from the hinge line to the tag's centre once the surface has turned from the fit's zero.
    pub fn arm_in_camera(&self, angle_rad: f64) -> Unit<Vector3<f64>> {
        Rotation3::from_axis_angle(&self.axis_in_camera, angle_rad) * self.arm_at_zero_in_camera
    }
}

/// How far the picture moved against its lens: a stabiliser shifts it, and a focus that breathes enlarges it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PictureWander {
    /// Standard deviation of the shift, both directions together.
    pub shift_sd_px: f64,
    /// Standard deviation of the relative enlargement.
    pub growth_sd: f64,
}

/// What the joint fit hands on.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// The surfaces, in the order of the model file.
    pub surfaces: Vec<SurfaceMotion>,
    /// Every frame of the clip, in time.
    pub frames: Vec<MotionFrame>,
    /// Whether the camera moved against the airframe.
    pub camera_moved: bool,
    /// How many landmarks of the surroundings helped to determine its motion.
    pub landmarks: usize,
    /// How far the picture moved against the lens; `None` where it did not.
    pub picture: Option<PictureWander>,
    /// Time in which the camera read each picture, from its first line to its last; negative where
    /// the last was read first. `None` where it does not differ significantly from reading all lines at once.
    pub readout_s: Option<Measured>,
    /// Root mean square of the reprojection residuals that were kept, px.
    pub reprojection_rms_px: f64,
    /// Root mean square of what the corners' own standard deviations leave of them, px: more than these
    /// residuals shows errors beyond those of size, sharpness and noise.
    pub allowed_rms_px: f64,
    /// Covariance of the constants of the fit and of the corners' lasting errors, in the units of
    /// the fit.
    pub constants_covariance: DMatrix<f64>,
    /// The part of the frames' own errors that repeats while a tag rests.
    pub lasting: LastingErrors,
    /// The lens of the result: the profile's, moved within its uncertainty.
    pub lens: Camera,
    /// Where the tags stand, for [`Motion::tags_at_neutral`].
    pub tags_at_zero: TagsAtZero,
    /// The searches for the minimum, in order.
    pub passes: Vec<FitPass>,
}

/// A weighted sum of deflections: `(position in Motion::frames, surface, weight)`.
pub type WeightedSum = Vec<(usize, usize, f64)>;

impl Motion {
    /// Values (rad) and joint covariance (rad²) of weighted sums of deflections.
    ///
    /// Errors of single frames average out, and those that last while a tag rests from rest to rest.
    /// Those of the constants do not, and neither do those of a tag's outline that are the same in
    /// all frames. All are in the covariance (law of propagation, JCGM 100:2008, 5.2.2).
    /// Frames without a measured deflection are passed over, so callers name only measured ones.
    pub fn weighted_sums(&self, sums: &[WeightedSum]) -> (DVector<f64>, DMatrix<f64>) {
        let sums = self.sums_by_cause(sums);
        let of_constants = &sums.gains * &self.constants_covariance * sums.gains.transpose();
        (sums.values, of_constants + sums.own)
    }

    /// Weighted sums of deflections, with what makes their errors kept apart.
    pub(in crate::motion) fn sums_by_cause(&self, sums: &[WeightedSum]) -> SumsByCause {
        let constant_count = self.constants_covariance.nrows();
        let mut values = DVector::zeros(sums.len());
        let mut gains = DMatrix::zeros(sums.len(), constant_count);
        // Own errors of each frame, and the lasting ones of each rest, by independent causes.
        let mut own: CauseGains = BTreeMap::new();
        let mut lasting: CauseGains = BTreeMap::new();
        let mut places: CauseGains = BTreeMap::new();
        let mut misfits: CauseGains = BTreeMap::new();
        for (row, sum) in sums.iter().enumerate() {
            for &(frame, surface, weight) in sum {
                let Some(deflection) = &self.frames[frame].deflections[surface] else {
                    continue;
                };
                values[row] += weight * deflection.angle_rad;
                let mut gain = gains.row_mut(row);
                gain += weight * deflection.gain.transpose();
                if let Some(misfit) = &deflection.misfit {
                    let cause = (misfit.run, surface);
                    add_gain(&mut misfits, cause, row, weight * misfit.sd_rad);
                }
                let root = lower_root(&self.frames[frame].own_covariance_rad2);
                let rest = self.lasting.rest_of.get(frame).map(|rests| rests[surface]);
                let place_sd_rad = self.lasting.place_sd_rad.get(frame).map(|of| of[surface]);
                if let (Some(rest), Some(sd_rad)) = (rest, place_sd_rad) {
                    add_gain(&mut places, (rest, surface), row, weight * sd_rad);
                }
                for cause in 0..=surface {
                    let share = weight * root[(surface, cause)];
                    add_gain(&mut own, (frame, cause), row, share);
                    if let Some(rest) = rest {
                        add_gain(&mut lasting, (rest, cause), row, share);
                    }
                }
            }
        }
        let mut covariance = DMatrix::zeros(sums.len(), sums.len());
        add_causes(&mut covariance, &own, 1.0 - self.lasting.share);
        add_causes(&mut covariance, &lasting, self.lasting.share);
        add_causes(&mut covariance, &places, 1.0);
        add_causes(&mut covariance, &misfits, 1.0);
        SumsByCause {
            values,
            gains,
            own: covariance,
        }
    }

    /// The motion of some of the surfaces, in the given order.
    ///
    /// The constants stay those of the whole fit.
    pub fn of_surfaces(&self, wanted: &[usize]) -> Self {
        let pick = |frame: &MotionFrame| MotionFrame {
            deflections: picked(&frame.deflections, wanted),
            own_covariance_rad2: DMatrix::from_fn(wanted.len(), wanted.len(), |row, column| {
                frame.own_covariance_rad2[(wanted[row], wanted[column])]
            }),
            ..*frame
        };
        Self {
            surfaces: picked(&self.surfaces, wanted),
            frames: self.frames.iter().map(pick).collect(),
            constants_covariance: self.constants_covariance.clone(),
            lasting: self.lasting.of_surfaces(wanted),
            tags_at_zero: self.tags_at_zero.of_surfaces(wanted),
            passes: self.passes.clone(),
            ..*self
        }
    }

    /// One surface's deflection from `zero` in every frame, rad; `None` where it was not measured.
    ///
    /// `zero` is a weighted sum of the same surface's deflections whose weights add up to one; its
    /// error is part of every deflection's.
    pub fn deflections_from(&self, surface: usize, zero: &WeightedSum) -> Vec<Option<Measured>> {
        let mut deflections = vec![None; self.frames.len()];
        let measured: Vec<usize> = (0..self.frames.len())
            .filter(|&frame| self.frames[frame].deflections[surface].is_some())
            .collect();
        for frames in measured.chunks(FRAMES_IN_ONE_GO) {
            let single = frames.iter().map(|&frame| vec![(frame, surface, 1.0)]);
            let sums: Vec<WeightedSum> = single.chain([zero.clone()]).collect();
            let (values, covariance) = self.weighted_sums(&sums);
            let last = frames.len();
            for (row, &frame) in frames.iter().enumerate() {
                let variance = covariance[(row, row)] + covariance[(last, last)]
                    - 2.0 * covariance[(row, last)];
                deflections[frame] = Some(Measured::new(
                    values[row] - values[last],
                    variance.max(0.0).sqrt(),
                ));
            }
        }
        deflections
    }
}

/// Weighted sums of deflections with the causes of their errors.
pub(in crate::motion) struct SumsByCause {
    /// rad.
    pub values: DVector<f64>,
    /// By the constants of the fit, sums × constants.
    pub gains: DMatrix<f64>,
    /// Covariance given the constants, rad².
    pub own: DMatrix<f64>,
}

/// Some of a list's entries, in the order of their positions.
pub(in crate::motion) fn picked<T: Clone>(all: &[T], wanted: &[usize]) -> Vec<T> {
    wanted.iter().map(|&at| all[at].clone()).collect()
}

/// Frames whose deflections are taken from their zero in one go: the work for the zero is shared
/// among them, that for their joint covariance grows with their square.
const FRAMES_IN_ONE_GO: usize = 64;

/// Gains of the sums (by row) on independent causes of error.
type CauseGains = BTreeMap<(usize, usize), BTreeMap<usize, f64>>;

/// Adds to the gain of the sum in a row on a cause.
fn add_gain(causes: &mut CauseGains, cause: (usize, usize), row: usize, gain: f64) {
    *causes.entry(cause).or_default().entry(row).or_default() += gain;
}

fn add_causes(covariance: &mut DMatrix<f64>, causes: &CauseGains, share: f64) {
    for gains in causes.values() {
        for (row_a, gain_a) in gains {
            for (row_b, gain_b) in gains {
                covariance[(*row_a, *row_b)] += share * gain_a * gain_b;
            }
        }
    }
}

/// Lower triangular root of a covariance; rows and columns of zeros (not measured) stay zero.
pub(in crate::motion) fn lower_root(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    let count = covariance.nrows();
    let mut root = DMatrix::zeros(count, count);
    for column in 0..count {
        for row in column..count {
            let known: f64 = (0..column)
                .map(|k| root[(row, k)] * root[(column, k)])
                .sum();
            let rest: f64 = covariance[(row, column)] - known;
            root[(row, column)] = if row == column {
                rest.max(0.0).sqrt()
            } else if root[(column, column)] > 0.0 {
                rest / root[(column, column)]
            } else {
                0.0
            };
        }
    }
    root
}
