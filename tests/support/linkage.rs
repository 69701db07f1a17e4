//! Arm, rod and horn: the spatial four-bar with ball-ended rod (RSSR), in closed form.
//!
//! With the arm's end P = O1 + Rot(a1, φ) r1, d = P − O2, A = d·r2, B = d·(a2 × r2),
//! C = (|d|² + |r2|² − L²)/2 the horn's angle is θ = atan2(B, A) ± acos(C / √(A² + B²)); where
//! |C| exceeds √(A² + B²) the linkage binds.

use super::rigid::{Vec3, add, cross, dot, norm, sub, turned, unit};

/// A servo's arm, a rod and a surface's horn. Lengths in mm, or any one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Linkage {
    pub arm_pivot: Vec3,
    pub arm_axis: Vec3,
    /// Pivot to the rod's joint, servo at zero.
    pub arm: Vec3,
    pub horn_pivot: Vec3,
    pub horn_axis: Vec3,
    /// Pivot to the rod's joint, servo at zero.
    pub horn: Vec3,
}

impl Linkage {
    pub fn rod_length(&self) -> f64 {
        norm(sub(
            add(self.arm_pivot, self.arm),
            add(self.horn_pivot, self.horn),
        ))
    }

    /// Both solutions for the horn's angle, `None` where the linkage binds.
    fn solutions_rad(&self, servo_rad: f64) -> Option<[f64; 2]> {
        let arm_end = add(
            self.arm_pivot,
            turned(self.arm, unit(self.arm_axis), servo_rad),
        );
        let d = sub(arm_end, self.horn_pivot);
        let a = dot(d, self.horn);
        let b = dot(d, cross(unit(self.horn_axis), self.horn));
        let c = 0.5 * (dot(d, d) + dot(self.horn, self.horn) - self.rod_length().powi(2));
        let reach = a.hypot(b);
        if c.abs() > reach {
            return None;
        }
        let (middle, spread) = (b.atan2(a), (c / reach).acos());
        Some([middle + spread, middle - spread])
    }

    /// The horn's angle, zero where the servo is at zero, on the branch of the assembly.
    pub fn output_deg(&self, servo_deg: f64) -> Option<f64> {
        let wrapped = |angle: f64| (angle + PI).rem_euclid(2.0 * PI) - PI;
        use std::f64::consts::PI;
        let at_zero = self.solutions_rad(0.0)?;
        let branch = usize::from(wrapped(at_zero[1]).abs() < wrapped(at_zero[0]).abs());
        Some(wrapped(self.solutions_rad(servo_deg.to_radians())?[branch]).to_degrees())
    }
}
