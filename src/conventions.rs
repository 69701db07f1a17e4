//! Axes, signs and units. Nothing here may change in silence: files and tests rely on it.
//!
//! - **Units** are part of the name: `angle_deg`, `edge_mm`, `time_s`, `stick_pct`, `corner_px`.
//!   Inside the fit angles are radians and lengths millimetres, and the name says so.
//! - **Image**: x right, y down, pixels, origin at the centre of the top-left pixel.
//! - **Camera frame**: x right, y down, z forward.
//! - **Tag frame**: x right, y up, z out of the paper towards the viewer; origin at the tag's
//!   centre. Corners run top-left, top-right, bottom-right, bottom-left of the printed tag.
//! - **Transforms** are `a_from_b`, points `x_in_a`: `point_in_a = a_from_b * point_in_b`.
//! - **Deflection**: rotation about the surface's hinge line, positive with the trailing edge up
//!   in the picture; for upright surfaces (rudders) with the trailing edge to the left.
//! - **Distortion**: Brown–Conrady in the order k1 k2 p1 p2 k3.
//! - **Time**: the container's presentation time stamp of the frame, seconds.
//! - **Uncertainty**: values carry standard deviations inside; everything shown to a person or
//!   written to a file as `u` is expanded with [`COVERAGE_FACTOR`] (JCGM 100:2008, 6.2).

/// Coverage factor k of every expanded uncertainty (JCGM 100:2008, 6.2.1).
pub const COVERAGE_FACTOR: f64 = 2.0;

/// Radians from degrees.
pub fn rad_from_deg(angle_deg: f64) -> f64 {
    angle_deg.to_radians()
}

/// Degrees from radians.
pub fn deg_from_rad(angle_rad: f64) -> f64 {
    angle_rad.to_degrees()
}
