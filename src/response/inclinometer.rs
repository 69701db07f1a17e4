//! Reading of an inclinometer placed fore-and-aft on a surface.

use nalgebra::{Rotation3, Unit, Vector3};

use crate::measured::Measured;

/// Step of the difference quotient that propagates the uncertainty, deg.
const STEP_DEG: f64 = 0.1;

/// Reading of an inclinometer along `aft` on a surface, relative to its reading at neutral.
///
/// The deflection rotates its direction about the hinge line, f' = R(h, δ) f, and it shows the
/// angle of that direction over the horizontal: asin(f'·up) − asin(f·up). On a level hinge line
/// square to `aft` this is the deflection itself; on a swept or raked one it is less. `axis` is the
/// hinge line about which a right-handed turn is a positive deflection; all three directions are in
/// one frame. Own derivation; no instrument's correction is imitated.
pub fn inclinometer_deg(
    deflection_deg: f64,
    axis: &Unit<Vector3<f64>>,
    aft: &Unit<Vector3<f64>>,
    up: &Unit<Vector3<f64>>,
) -> f64 {
    let turned = Rotation3::from_axis_angle(axis, deflection_deg.to_radians()) * aft.as_ref();
    let over_horizon_rad = |direction: &Vector3<f64>| direction.dot(up).clamp(-1.0, 1.0).asin();
    (over_horizon_rad(&turned) - over_horizon_rad(aft)).to_degrees()
}

/// Up and aft from the picture: up is the picture's up, aft points at the camera.
///
/// The clip is filmed from behind. A camera that looks down by some degrees tilts both alike, which
/// a level hinge line does not feel; a swept one feels it in second order.
pub(super) fn picture_directions() -> (Unit<Vector3<f64>>, Unit<Vector3<f64>>) {
    (-Vector3::y_axis(), -Vector3::z_axis())
}

/// The reading with its uncertainty; the directions are those of the picture.
pub(super) fn measured_reading_deg(
    deflection_deg: Measured,
    axis_in_camera: &Unit<Vector3<f64>>,
) -> Measured {
    let (up, aft) = picture_directions();
    let reading = |angle_deg| inclinometer_deg(angle_deg, axis_in_camera, &aft, &up);
    let angle_deg = deflection_deg.value;
    let slope = (reading(angle_deg + STEP_DEG) - reading(angle_deg - STEP_DEG)) / (2.0 * STEP_DEG);
    Measured::new(reading(angle_deg), slope.abs() * deflection_deg.sd)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_square_level_hinge_shows_the_deflection() {
        let (up, aft) = picture_directions();
        let axis = -Vector3::x_axis();
        for angle_deg in [-60.0, -12.5, 0.0, 26.5] {
            let reading = inclinometer_deg(angle_deg, &axis, &aft, &up);
            assert_relative_eq!(reading, angle_deg, epsilon = 1e-12);
        }
    }

    #[test]
    fn a_swept_hinge_shows_less_by_the_sweep_s_cosine() {
        // Plane trigonometry: with the hinge swept by Λ in the horizontal plane a fore-and-aft line
        // rises by sin δ · cos Λ.
        let (up, aft) = picture_directions();
        let sweep = 30f64.to_radians();
        let axis = Unit::new_normalize(Vector3::new(-sweep.cos(), 0.0, sweep.sin()));
        let reading = inclinometer_deg(20.0, &axis, &aft, &up);
        let expected = (20f64.to_radians().sin() * sweep.cos()).asin().to_degrees();
        assert_relative_eq!(reading, expected, epsilon = 1e-12);
    }
}
