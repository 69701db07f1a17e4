//! Motion: fits all frames jointly to each surface's hinge.

use nalgebra::{DMatrix, DVector, Point3, Unit, Vector3};

use crate::measured::Measured;

/// One surface's deflection in one frame, against an arbitrary zero that is the same in all frames.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameDeflection {
    /// Rotation about the hinge, positive after [`crate::conventions`].
    pub angle_rad: f64,
    /// How the angle follows a change of the constants of the fit, rad per unit of each.
    pub gain: DVector<f64>,
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
    /// Root mean square of the reprojection residuals that were kept, px.
    pub reprojection_rms_px: f64,
    /// Covariance of the constants of the fit, in the units of the fit.
    pub constants_covariance: DMatrix<f64>,
}

/// A weighted sum of deflections: `(position in Motion::frames, surface, weight)`.
pub type WeightedSum = Vec<(usize, usize, f64)>;

impl Motion {
    /// Values (rad) and joint covariance (rad²) of weighted sums of deflections.
    ///
    /// Errors of single frames average out, those of the shared constants do not: both are in the
    /// covariance (law of propagation, JCGM 100:2008, 5.2.2). Frames without a measured
    /// deflection are passed over, so callers name only measured ones.
    pub fn weighted_sums(&self, sums: &[WeightedSum]) -> (DVector<f64>, DMatrix<f64>) {
        let constant_count = self.constants_covariance.nrows();
        let mut values = DVector::zeros(sums.len());
        let mut gains = DMatrix::zeros(sums.len(), constant_count);
        let mut by_frame: std::collections::BTreeMap<usize, Vec<(usize, usize, f64)>> = Default::default();
        for (row, sum) in sums.iter().enumerate() {
            for &(frame, surface, weight) in sum {
                let Some(deflection) = &self.frames[frame].deflections[surface] else {
                    continue;
                };
                values[row] += weight * deflection.angle_rad;
                let mut gain = gains.row_mut(row);
                gain += weight * deflection.gain.transpose();
                by_frame.entry(frame).or_default().push((row, surface, weight));
            }
        }
        let mut covariance = &gains * &self.constants_covariance * gains.transpose();
        for (frame, terms) in by_frame {
            let own = &self.frames[frame].own_covariance_rad2;
            for &(row_a, surface_a, weight_a) in &terms {
                for &(row_b, surface_b, weight_b) in &terms {
                    covariance[(row_a, row_b)] += weight_a * weight_b * own[(surface_a, surface_b)];
                }
            }
        }
        (values, covariance)
    }
}
