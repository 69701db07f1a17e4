//! Measures where four squares of a board meet, from the brightness around the crossing.
//!
//! The picture around a crossing is fitted with two blurred edges multiplied:
//!
//! ```text
//! I(q) = m + g·q + a · E(d₁/σ₁) · E(d₂/σ₂),   E(z) = erf(z/√2)
//! ```
//!
//! where q is the pixel's place from the crossing, d₁ and d₂ its distances from the two edges. The
//! pattern looks the same turned by 180° about the crossing, whatever the lens's blur, the camera's
//! tone curve or the ink's spread make of its edges, so none of them moves the result.

use nalgebra::{Matrix2, Point2, Vector2};

use super::crossing_model::{
    AMPLITUDE, Model, Normal, PARAMETERS, Parameters, Pixel, normal_equations,
};
use crate::clip::GreyImage;
use crate::solver::{Change, Descent, Policy, Undefined, descend};

/// Radius below which a window holds too few pixels of each edge, px.
const SMALLEST_RADIUS_PX: f64 = 2.4;
/// Radius above which distortion begins to bend the edges, px.
const LARGEST_RADIUS_PX: f64 = 18.0;
/// How far blur spreads the surroundings into the clean disc, px.
const BLUR_ALLOWANCE_PX: f64 = 1.5;
/// Smallest difference between black and white, code values: below it noise decides.
const SMALLEST_CONTRAST: f64 = 16.0;
/// Largest RMS misfit over the contrast; clean crossings stay below 0.05 (common practice, no
/// source).
const LARGEST_MISFIT: f64 = 0.12;
/// Largest blur over the window's radius at which an edge still shows both its sides.
const LARGEST_BLUR: f64 = 0.7;
/// Largest distance of the crossing from its predicted place, over the window's radius.
const LARGEST_SHIFT: f64 = 1.2;
/// Smallest standard deviation, px: code values are whole numbers and noise is not white.
const SMALLEST_SD_PX: f64 = 0.005;
/// How often the window is moved to the crossing just found.
const WINDOW_MOVES: usize = 3;
/// A fit ends when its step moves the centre by less than this, px.
const CONVERGED_PX: f64 = 1e-4;
/// … whatever it predicts of the cost.
const POLICY: Policy = Policy {
    damping: 1e-3,
    eased: 0.2,
    raised: 8.0,
    least_damping: 0.0,
    most_damping: f64::INFINITY,
    hardly_damped: 0.0,
    steps: 20,
    predicted: Change::NONE,
    decrease: Change::NONE,
    increase: Change::NONE,
};

/// A crossing of the board and where it is expected.
pub(super) struct Expected {
    pub column: usize,
    pub row: usize,
    pub predicted: PredictedCrossing,
}

/// Where a crossing is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PredictedCrossing {
    /// Its place in the picture.
    pub at_px: Point2<f64>,
    /// One square along the board's rows, in the picture.
    pub across_px: Vector2<f64>,
    /// One square along the board's columns, in the picture.
    pub down_px: Vector2<f64>,
}

/// Where a crossing was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Its place in the picture.
    pub at_px: Point2<f64>,
    /// Standard deviation of either coordinate, from the noise of the pixels alone.
    pub sd_px: f64,
    /// Standard deviation of the blur across its edges (the softer of the two).
    pub blur_px: f64,
}

/// Why a crossing was not measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CrossingFault {
    /// Its window reaches over the border of the picture.
    OutsidePicture,
    /// Its squares are too small in the picture.
    TooSmall,
    /// Black and white hardly differ.
    TooFaint,
    /// Its edges are too soft.
    Blurred,
    /// The pixels do not look like a crossing: glare, a finger, a bent or torn board.
    NotACrossing,
}

impl CrossingFault {
    /// The fault in words.
    pub fn words(&self) -> &'static str {
        match self {
            Self::OutsidePicture => "cut off",
            Self::TooSmall => "too small",
            Self::TooFaint => "too faint",
            Self::Blurred => "blurred",
            Self::NotACrossing => "spoilt",
        }
    }
}

/// Measures one crossing.
///
/// `clean_radius_squares` is the radius of the disc about the crossing, in squares, that contains
/// only its four edges.
pub fn measure_crossing(
    image: &GreyImage,
    predicted: &PredictedCrossing,
    clean_radius_squares: f64,
) -> Result<Crossing, CrossingFault> {
    let window = Window::new(predicted, clean_radius_squares)?;
    let mut centre = predicted.at_px;
    let mut start = None;
    let mut moves = 0;
    loop {
        let pixels = window.pixels(image, centre)?;
        let fit = fit(&pixels, start.unwrap_or_else(|| window.start(&pixels)))?;
        let shift = Vector2::new(fit.parameters[0], fit.parameters[1]);
        centre += shift;
        if (centre - predicted.at_px).norm() > LARGEST_SHIFT * window.radius_px {
            return Err(CrossingFault::NotACrossing);
        }
        moves += 1;
        if shift.norm() < 0.3 || moves > WINDOW_MOVES {
            return fit.judged(centre, &window);
        }
        let mut next = fit.parameters;
        next[0] = 0.0;
        next[1] = 0.0;
        start = Some(next);
    }
}

/// A disc in the picture.
struct Window {
    across_px: Vector2<f64>,
    down_px: Vector2<f64>,
    /// Squares from pixels.
    squares_from_px: Matrix2<f64>,
    radius_px: f64,
}

impl Window {
    fn new(
        predicted: &PredictedCrossing,
        clean_radius_squares: f64,
    ) -> Result<Self, CrossingFault> {
        let px_from_squares = Matrix2::from_columns(&[predicted.across_px, predicted.down_px]);
        let squares_from_px = px_from_squares
            .try_inverse()
            .ok_or(CrossingFault::TooSmall)?;
        // The square's shortest extent in the picture, in whichever direction.
        let short_px = px_from_squares.singular_values().min();
        let radius_px =
            (clean_radius_squares * short_px - BLUR_ALLOWANCE_PX).min(LARGEST_RADIUS_PX);
        if radius_px.is_nan() || radius_px < SMALLEST_RADIUS_PX {
            return Err(CrossingFault::TooSmall);
        }
        Ok(Self {
            across_px: predicted.across_px,
            down_px: predicted.down_px,
            squares_from_px,
            radius_px,
        })
    }

    /// Pixels in the window, as places from its centre and code values.
    fn pixels(&self, image: &GreyImage, centre: Point2<f64>) -> Result<Vec<Pixel>, CrossingFault> {
        let low = centre.coords.map(|value| (value - self.radius_px).floor());
        let high = centre.coords.map(|value| (value + self.radius_px).ceil());
        let fits = low.min() >= 0.0
            && high.x <= image.width_px as f64 - 1.0
            && high.y <= image.height_px as f64 - 1.0;
        if !fits {
            return Err(CrossingFault::OutsidePicture);
        }
        let mut pixels = Vec::new();
        for y in low.y as usize..=high.y as usize {
            for x in low.x as usize..=high.x as usize {
                let from_centre = Point2::new(x as f64, y as f64) - centre;
                if from_centre.norm() <= self.radius_px {
                    let value = f64::from(image.pixels[y * image.width_px + x]);
                    pixels.push(Pixel { from_centre, value });
                }
            }
        }
        Ok(pixels)
    }

    /// A first guess: edges as predicted, black and white from the four sectors.
    fn start(&self, pixels: &[Pixel]) -> Parameters {
        let count = pixels.len() as f64;
        let mean = pixels.iter().map(|pixel| pixel.value).sum::<f64>() / count;
        let sectors = pixels.iter().map(|pixel| {
            let in_squares = self.squares_from_px * pixel.from_centre;
            (pixel.value - mean) * (in_squares.x * in_squares.y).signum()
        });
        // d₁ and d₂ grow along normals turned the same way, so d₁d₂ is opposite in sign to xy.
        let amplitude = -sectors.sum::<f64>() / count;
        let across = self.across_px.y.atan2(self.across_px.x);
        let down = self.down_px.y.atan2(self.down_px.x);
        Parameters::from_row_slice(&[0.0, 0.0, across, down, 0.0, 0.0, mean, amplitude, 0.0, 0.0])
    }
}

struct Fit {
    parameters: Parameters,
    inverse_normal: Normal,
    mean_square: f64,
    pixels: usize,
}

impl Fit {
    fn judged(&self, centre: Point2<f64>, window: &Window) -> Result<Crossing, CrossingFault> {
        let contrast = 2.0 * self.parameters[AMPLITUDE].abs();
        let blur_px = self.parameters[4].max(self.parameters[5]).exp();
        if contrast < SMALLEST_CONTRAST {
            return Err(CrossingFault::TooFaint);
        }
        if blur_px > LARGEST_BLUR * window.radius_px {
            return Err(CrossingFault::Blurred);
        }
        if self.mean_square.sqrt() > LARGEST_MISFIT * contrast {
            return Err(CrossingFault::NotACrossing);
        }
        let freedom = self.pixels as f64 / (self.pixels - PARAMETERS) as f64;
        let variance = self.mean_square * freedom;
        let (x, y) = (self.inverse_normal[(0, 0)], self.inverse_normal[(1, 1)]);
        Ok(Crossing {
            at_px: centre,
            sd_px: (variance * (x + y) / 2.0).sqrt().max(SMALLEST_SD_PX),
            blur_px,
        })
    }
}

/// Fits the two edges to the pixels.
fn fit(pixels: &[Pixel], start: Parameters) -> Result<Fit, CrossingFault> {
    if pixels.len() <= 2 * PARAMETERS {
        return Err(CrossingFault::TooSmall);
    }
    let found = descend(&Edges { pixels }, start, &POLICY);
    let found = found.map_err(|Undefined| CrossingFault::NotACrossing)?;
    let (normal, ..) = normal_equations(pixels, &found.state);
    let inverse_normal = normal
        .cholesky()
        .ok_or(CrossingFault::NotACrossing)?
        .inverse();
    Ok(Fit {
        parameters: found.state,
        inverse_normal,
        mean_square: found.cost / pixels.len() as f64,
        pixels: pixels.len(),
    })
}

/// The pixels around a crossing, to be explained by two edges.
struct Edges<'a> {
    pixels: &'a [Pixel],
}

impl Descent for Edges<'_> {
    type State = Parameters;
    type Equations = (Normal, Parameters);

    fn equations(
        &self,
        parameters: &Parameters,
        _damping: f64,
    ) -> Option<((Normal, Parameters), f64)> {
        let (normal, gradient, cost) = normal_equations(self.pixels, parameters);
        Some(((normal, gradient), cost))
    }

    fn step(
        &self,
        parameters: &Parameters,
        (normal, gradient): &mut (Normal, Parameters),
        damping: f64,
    ) -> Option<(Parameters, f64)> {
        let mut damped = *normal;
        for i in 0..PARAMETERS {
            damped[(i, i)] *= 1.0 + damping;
        }
        let step = damped.cholesky()?.solve(gradient);
        Some((parameters - step, gradient.dot(&step)))
    }

    fn cost(&self, parameters: &Parameters) -> Option<f64> {
        let model = Model::new(parameters);
        let squares = self.pixels.iter().map(|pixel| {
            let (value, _) = model.at(pixel.from_centre);
            (value - pixel.value).powi(2)
        });
        Some(squares.sum())
    }

    fn is_negligible(&self, from: &Parameters, to: &Parameters) -> bool {
        (to[0] - from[0]).abs().max((to[1] - from[1]).abs()) < CONVERGED_PX
    }
}
