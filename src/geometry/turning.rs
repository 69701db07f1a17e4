//! Turns about lines.

use nalgebra::{
    Matrix3, Matrix3x2, Point3, Rotation3, Translation3, Unit, Vector3, Vector4, Vector6,
};

use super::Pose;

/// A line about which something turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HingeLine {
    /// Direction; turns are right-handed about it.
    pub axis: Unit<Vector3<f64>>,
    /// Any point on the line.
    pub point: Point3<f64>,
}

impl HingeLine {
    /// The point of the line next to `point`.
    pub fn foot_of(&self, point: &Point3<f64>) -> Point3<f64> {
        self.point + self.axis.into_inner() * self.axis.dot(&(point - self.point))
    }

    /// Shortest vector from the line to `point`.
    pub fn lever_to(&self, point: &Point3<f64>) -> Vector3<f64> {
        point - self.foot_of(point)
    }

    /// A pose carried around the line.
    pub fn carry(&self, pose: &Pose, angle_rad: f64) -> Pose {
        let turn = turn_about(&self.axis, angle_rad);
        let lever = pose.translation.vector - self.point.coords;
        Pose::from_parts(
            Translation3::from(self.point.coords + turn * lever),
            turn * pose.rotation,
        )
    }

    /// The line turned about its point, then shifted, by small amounts along the columns of
    /// `across`: two turns in rad, two shifts.
    pub fn displaced(&self, across: &Matrix3x2<f64>, by: &Vector4<f64>) -> Self {
        let mut axis = rotation_from_vector(&(across * by.fixed_rows::<2>(0))) * self.axis;
        axis.renormalize();
        Self {
            axis,
            point: self.point + across * by.fixed_rows::<2>(2),
        }
    }

    /// The same line in another frame.
    pub fn seen_from(&self, other_from_this: &Pose) -> Self {
        Self {
            axis: other_from_this.rotation * self.axis,
            point: other_from_this * self.point,
        }
    }
}

/// A pose turned (rotation vector, rad) and shifted from the left by a step of three and three, the
/// turn leaving its origin in place.
pub fn stepped_pose(pose: &Pose, step: &Vector6<f64>) -> Pose {
    let turn: Vector3<f64> = step.fixed_rows::<3>(0).into_owned();
    Pose::from_parts(
        Translation3::from(pose.translation.vector + step.fixed_rows::<3>(3)),
        rotation_from_vector(&turn) * pose.rotation,
    )
}

/// Right-handed turn about an axis through the origin.
pub fn turn_about(axis: &Unit<Vector3<f64>>, angle_rad: f64) -> Rotation3<f64> {
    Rotation3::from_axis_angle(axis, angle_rad)
}

/// The rotation of a rotation vector (axis times angle, rad).
pub fn rotation_from_vector(vector: &Vector3<f64>) -> Rotation3<f64> {
    Rotation3::from_scaled_axis(*vector)
}

/// Two unit vectors across an axis and across each other, the same for the same axis.
pub fn across(axis: &Unit<Vector3<f64>>) -> Matrix3x2<f64> {
    // Start from the coordinate axis that lies most across.
    let helper = Matrix3::<f64>::identity().column(axis.iamin()).into_owned();
    let first = axis.cross(&helper).normalize();
    Matrix3x2::from_columns(&[first, axis.cross(&first)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn carrying_keeps_the_distance_from_the_line(
            axis in prop::array::uniform3(-1.0..1.0),
            point in prop::array::uniform3(-50.0..50.0),
            at in prop::array::uniform3(-50.0..50.0),
            angle in -3.0..3.0,
        ) {
            let axis = Vector3::from(axis);
            prop_assume!(axis.norm() > 0.1);
            let line = HingeLine { axis: Unit::new_normalize(axis), point: Point3::from(point) };
            let pose = Pose::from_parts(Translation3::from(Vector3::from(at)), Rotation3::identity());
            let carried = line.carry(&pose, angle);
            let before = line.lever_to(&Point3::from(at));
            let after = line.lever_to(&Point3::from(carried.translation.vector));
            prop_assert!((before.norm() - after.norm()).abs() < 1e-9);
            let back = line.carry(&carried, -angle);
            prop_assert!((back.translation.vector - pose.translation.vector).norm() < 1e-9);
            let basis = across(&line.axis);
            prop_assert!((basis.transpose() * line.axis.into_inner()).norm() < 1e-12);
        }
    }

    #[test]
    fn a_turn_is_right_handed() {
        let turned = turn_about(&Vector3::z_axis(), 0.5_f64.asin()) * Vector3::x();
        assert_relative_eq!(turned.y, 0.5, epsilon = 1e-12);
    }
}
