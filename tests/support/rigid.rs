//! Rotations and poses of the synthetic world, on plain arrays (Rodrigues' formula).

pub type Vec3 = [f64; 3];
pub type Mat3 = [[f64; 3]; 3];

pub fn add(a: Vec3, b: Vec3) -> Vec3 {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

pub fn sub(a: Vec3, b: Vec3) -> Vec3 {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

pub fn times(a: Vec3, factor: f64) -> Vec3 {
    [a[0] * factor, a[1] * factor, a[2] * factor]
}

pub fn dot(a: Vec3, b: Vec3) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub fn cross(a: Vec3, b: Vec3) -> Vec3 {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

pub fn norm(a: Vec3) -> f64 {
    dot(a, a).sqrt()
}

pub fn unit(a: Vec3) -> Vec3 {
    times(a, 1.0 / norm(a))
}

pub fn apply(m: &Mat3, v: Vec3) -> Vec3 {
    [dot(m[0], v), dot(m[1], v), dot(m[2], v)]
}

pub fn transposed(m: &Mat3) -> Mat3 {
    std::array::from_fn(|row| std::array::from_fn(|column| m[column][row]))
}

pub fn product(a: &Mat3, b: &Mat3) -> Mat3 {
    let columns = transposed(b);
    std::array::from_fn(|row| std::array::from_fn(|column| dot(a[row], columns[column])))
}

/// Turns `v` right-handed about a unit axis through the origin.
pub fn turned(v: Vec3, axis: Vec3, angle_rad: f64) -> Vec3 {
    let (sin, cos) = angle_rad.sin_cos();
    add(
        add(times(v, cos), times(cross(axis, v), sin)),
        times(axis, dot(axis, v) * (1.0 - cos)),
    )
}

/// The matrix that turns right-handed about a unit axis.
pub fn turn(axis: Vec3, angle_rad: f64) -> Mat3 {
    transposed(&[
        turned([1.0, 0.0, 0.0], axis, angle_rad),
        turned([0.0, 1.0, 0.0], axis, angle_rad),
        turned([0.0, 0.0, 1.0], axis, angle_rad),
    ])
}

/// The matrix of a rotation vector.
pub fn turn_by_vector(vector: Vec3) -> Mat3 {
    let angle = norm(vector);
    if angle == 0.0 {
        return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    }
    turn(times(vector, 1.0 / angle), angle)
}

/// Rotation vector of a matrix, for angles well below half a turn.
pub fn rotation_vector(m: &Mat3) -> Vec3 {
    let sine_axis = times(
        [m[2][1] - m[1][2], m[0][2] - m[2][0], m[1][0] - m[0][1]],
        0.5,
    );
    let cosine = 0.5 * (m[0][0] + m[1][1] + m[2][2] - 1.0);
    let sine = norm(sine_axis);
    if sine < 1e-15 {
        return sine_axis;
    }
    times(sine_axis, sine.atan2(cosine) / sine)
}

/// A rigid motion: `point_in_a = rotation * point_in_b + translation`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    pub rotation: Mat3,
    pub translation: Vec3,
}

impl Pose {
    pub fn point(&self, v: Vec3) -> Vec3 {
        add(apply(&self.rotation, v), self.translation)
    }

    pub fn after(&self, first: &Pose) -> Pose {
        Pose {
            rotation: product(&self.rotation, &first.rotation),
            translation: self.point(first.translation),
        }
    }
}

/// A line in space about which a surface turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HingeLine {
    pub point_mm: Vec3,
    /// Unit vector; a right-handed turn about it is a positive deflection.
    pub direction: Vec3,
}

impl HingeLine {
    /// A pose carried around the hinge.
    pub fn carried(&self, pose: &Pose, angle_rad: f64) -> Pose {
        let lever = sub(pose.translation, self.point_mm);
        Pose {
            rotation: product(&turn(self.direction, angle_rad), &pose.rotation),
            translation: add(self.point_mm, turned(lever, self.direction, angle_rad)),
        }
    }

    pub fn distance_mm(&self, point: Vec3) -> f64 {
        norm(cross(sub(point, self.point_mm), self.direction))
    }
}
