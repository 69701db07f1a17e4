//! Geometry shared by the rooms: homographies, planar poses, turns about lines, bends of linkages.

pub mod homography;
mod linkage_bend;
mod planar_pose;
pub mod quadrilateral;
mod turning;

pub use linkage_bend::{BEND_SHARES, FIRST_BEND, legendre_leading};
pub use planar_pose::{PlanarPose, corners_in_tag};
pub use turning::{HingeLine, across, rotation_from_vector, stepped_pose, turn_about};

use nalgebra::IsometryMatrix3;

/// A rigid motion with its rotation as a matrix: `point_in_a = a_from_b * point_in_b`.
pub type Pose = IsometryMatrix3<f64>;
