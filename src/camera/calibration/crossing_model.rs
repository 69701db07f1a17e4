//! The brightness around a crossing (the formula in `crossing`) with its derivatives, and normal equations.

use nalgebra::{SMatrix, SVector, Vector2};

/// Parameters: centre (2), edge angles (2), log blur (2), mean, amplitude, slope (2).
pub(super) const PARAMETERS: usize = 10;
/// Position of the amplitude.
pub(super) const AMPLITUDE: usize = 7;

pub(super) type Parameters = SVector<f64, PARAMETERS>;
pub(super) type Normal = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// A pixel as its place from the window's centre and its code value.
pub(super) struct Pixel {
    pub from_centre: Vector2<f64>,
    pub value: f64,
}

/// JᵀJ, Jᵀr and rᵀr.
pub(super) fn normal_equations(
    pixels: &[Pixel],
    parameters: &Parameters,
) -> (Normal, Parameters, f64) {
    let model = Model::new(parameters);
    let mut normal = Normal::zeros();
    let mut gradient = Parameters::zeros();
    let mut cost = 0.0;
    for pixel in pixels {
        let (value, slope) = model.at(pixel.from_centre);
        let residual = value - pixel.value;
        normal.syger(1.0, &slope, &slope, 1.0);
        gradient += slope * residual;
        cost += residual * residual;
    }
    normal.fill_upper_triangle_with_lower_triangle();
    (normal, gradient, cost)
}

/// Two blurred edges with known parameters.
pub(super) struct Model {
    centre: Vector2<f64>,
    along: [Vector2<f64>; 2],
    blur_px: [f64; 2],
    mean: f64,
    amplitude: f64,
    slope: Vector2<f64>,
}

impl Model {
    pub fn new(p: &Parameters) -> Self {
        let along = |angle_rad: f64| Vector2::new(angle_rad.cos(), angle_rad.sin());
        Self {
            centre: Vector2::new(p[0], p[1]),
            along: [along(p[2]), along(p[3])],
            blur_px: [p[4].exp(), p[5].exp()],
            mean: p[6],
            amplitude: p[AMPLITUDE],
            slope: Vector2::new(p[8], p[9]),
        }
    }

    /// Brightness and its derivatives by the parameters.
    pub fn at(&self, from_window_centre: Vector2<f64>) -> (f64, Parameters) {
        let q = from_window_centre - self.centre;
        // Distance from an edge along t: the component of q on t turned by 90°.
        let edge = |i: usize| {
            let normal = Vector2::new(-self.along[i].y, self.along[i].x);
            let z = normal.dot(&q) / self.blur_px[i];
            let rate = (2.0 / std::f64::consts::PI).sqrt() * (-0.5 * z * z).exp();
            (
                normal,
                z,
                error_function(z / std::f64::consts::SQRT_2),
                rate,
            )
        };
        let (normal_1, z_1, step_1, rate_1) = edge(0);
        let (normal_2, z_2, step_2, rate_2) = edge(1);
        let by_z_1 = self.amplitude * step_2 * rate_1;
        let by_z_2 = self.amplitude * step_1 * rate_2;
        let pull = normal_1 * (by_z_1 / self.blur_px[0]) + normal_2 * (by_z_2 / self.blur_px[1]);
        let value = self.mean + self.slope.dot(&q) + self.amplitude * step_1 * step_2;
        let derivatives = Parameters::from_row_slice(&[
            -pull.x - self.slope.x,
            -pull.y - self.slope.y,
            -by_z_1 * self.along[0].dot(&q) / self.blur_px[0],
            -by_z_2 * self.along[1].dot(&q) / self.blur_px[1],
            -by_z_1 * z_1,
            -by_z_2 * z_2,
            1.0,
            step_1 * step_2,
            q.x,
            q.y,
        ]);
        (value, derivatives)
    }
}

/// erf to 1.5e-7 (Abramowitz & Stegun 1964, 7.1.26): far below one code value.
fn error_function(x: f64) -> f64 {
    const A: [f64; 5] = [
        0.254_829_592,
        -0.284_496_736,
        1.421_413_741,
        -1.453_152_027,
        1.061_405_429,
    ];
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs());
    let polynomial = A.iter().rev().fold(0.0, |sum, a| sum * t + a) * t;
    (1.0 - polynomial * (-x * x).exp()).copysign(x)
}
