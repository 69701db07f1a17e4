//! Monotone cubic interpolation.
//!
//! Slopes after Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (weighted harmonic
//! mean of the neighbouring chords, zero at a turning point), end slopes by the three-point
//! formula kept within the monotone region. Where the data rise, the curve never falls.

/// A piecewise cubic through points, monotone wherever the points are.
#[derive(Debug, Clone, PartialEq)]
pub struct Pchip {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: Vec<f64>,
}

impl Pchip {
    /// The curve through `(x, y)`; `None` unless there are two points or more, the `x` rise
    /// strictly and every number is finite.
    pub fn new(x: Vec<f64>, y: Vec<f64>) -> Option<Self> {
        let finite = x.iter().chain(&y).all(|value| value.is_finite());
        let rising = x.windows(2).all(|pair| pair[0] < pair[1]);
        if x.len() < 2 || x.len() != y.len() || !finite || !rising {
            return None;
        }
        let slope = slopes(&x, &y);
        Some(Self { x, y, slope })
    }

    /// Value at `at`; beyond the ends the end value holds.
    pub fn value(&self, at: f64) -> f64 {
        let last = self.x.len() - 1;
        let at = at.clamp(self.x[0], self.x[last]);
        let piece = self.x[1..last].partition_point(|&knot| knot <= at);
        let width = self.x[piece + 1] - self.x[piece];
        let t = (at - self.x[piece]) / width;
        hermite(
            t,
            width,
            [self.y[piece], self.y[piece + 1]],
            [self.slope[piece], self.slope[piece + 1]],
        )
    }
}

/// One piece of a curve between two points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    left: f64,
    width: f64,
    y: [f64; 2],
    slope: [f64; 2],
}

impl Piece {
    /// The piece between the middle two of four points, the same as that of the whole curve.
    ///
    /// `outer_exist`: whether the first and the last point exist; their numbers do not count
    /// otherwise.
    pub fn new(x: [f64; 4], y: [f64; 4], outer_exist: (bool, bool)) -> Self {
        let width = [x[1] - x[0], x[2] - x[1], x[3] - x[2]];
        let chord = [
            (y[1] - y[0]) / width[0],
            (y[2] - y[1]) / width[1],
            (y[3] - y[2]) / width[2],
        ];
        let left = match outer_exist {
            (true, _) => inner_slope([width[0], width[1]], [chord[0], chord[1]]),
            (false, true) => end_slope([width[1], width[2]], [chord[1], chord[2]]),
            (false, false) => chord[1],
        };
        let right = match outer_exist {
            (_, true) => inner_slope([width[1], width[2]], [chord[1], chord[2]]),
            (true, false) => end_slope([width[1], width[0]], [chord[1], chord[0]]),
            (false, false) => chord[1],
        };
        Self {
            left: x[1],
            width: width[1],
            y: [y[1], y[2]],
            slope: [left, right],
        }
    }

    /// Value at a place of the piece.
    pub fn value(&self, at: f64) -> f64 {
        let t = (at - self.left) / self.width;
        hermite(t, self.width, self.y, self.slope)
    }

    /// The smallest slope anywhere on the piece: at an end or where the quadratic turns.
    pub fn least_slope(&self) -> f64 {
        let chord = (self.y[1] - self.y[0]) / self.width;
        let [s0, s1] = self.slope;
        // Slope at t: s0 + t·(6·chord − 4·s0 − 2·s1) + t²·(3·s0 + 3·s1 − 6·chord).
        let linear = 6.0 * chord - 4.0 * s0 - 2.0 * s1;
        let square = 3.0 * s0 + 3.0 * s1 - 6.0 * chord;
        let turn = -0.5 * linear / square;
        let ends = s0.min(s1);
        if square > 0.0 && (0.0..=1.0).contains(&turn) {
            ends.min(s0 + 0.5 * turn * linear)
        } else {
            ends
        }
    }
}

/// Cubic Hermite form on `t` in 0…1 over a piece of the given width.
fn hermite(t: f64, width: f64, y: [f64; 2], slope: [f64; 2]) -> f64 {
    let r = 1.0 - t;
    let value = r * r * (1.0 + 2.0 * t) * y[0] + t * t * (3.0 - 2.0 * t) * y[1];
    value + width * t * r * (r * slope[0] - t * slope[1])
}

fn slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let width: Vec<f64> = x.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let chord: Vec<f64> = y
        .windows(2)
        .zip(&width)
        .map(|(pair, width)| (pair[1] - pair[0]) / width)
        .collect();
    let last = chord.len() - 1;
    if last == 0 {
        return vec![chord[0]; 2];
    }
    let mut slope = Vec::with_capacity(x.len());
    slope.push(end_slope([width[0], width[1]], [chord[0], chord[1]]));
    for piece in 1..=last {
        slope.push(inner_slope(
            [width[piece - 1], width[piece]],
            [chord[piece - 1], chord[piece]],
        ));
    }
    slope.push(end_slope(
        [width[last], width[last - 1]],
        [chord[last], chord[last - 1]],
    ));
    slope
}

/// Weighted harmonic mean of the chords on both sides, zero where they differ in sign.
fn inner_slope(width: [f64; 2], chord: [f64; 2]) -> f64 {
    if chord[0] * chord[1] <= 0.0 {
        return 0.0;
    }
    let before = 2.0 * width[1] + width[0];
    let after = width[1] + 2.0 * width[0];
    (before + after) / (before / chord[0] + after / chord[1])
}

/// Three-point end formula, limited so that the end piece stays monotone.
fn end_slope(width: [f64; 2], chord: [f64; 2]) -> f64 {
    let slope =
        ((2.0 * width[0] + width[1]) * chord[0] - width[0] * chord[1]) / (width[0] + width[1]);
    if slope * chord[0] <= 0.0 {
        0.0
    } else if chord[0] * chord[1] <= 0.0 && slope.abs() > 3.0 * chord[0].abs() {
        3.0 * chord[0]
    } else {
        slope
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Radiochemical data RPN14 of Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980) 238.
    const RPN14_X: [f64; 9] = [7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0];
    const RPN14_Y: [f64; 9] = [
        0.0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994,
    ];

    fn rpn14() -> Pchip {
        Pchip::new(RPN14_X.to_vec(), RPN14_Y.to_vec()).unwrap()
    }

    #[test]
    fn rpn14_agrees_with_scipy() {
        // SciPy 1.17, PchipInterpolator (Fritsch–Butland slopes), at two sets of places.
        let at = [
            (8.04, 6.915091e-6),
            (8.14, 0.01769716738),
            (8.45, 0.10658953776),
            (8.95, 0.30383618305),
            (9.6, 0.76024763934),
            (11.0, 0.98604336254),
            (13.5, 0.99960336401),
            (17.5, 0.99997614043),
            (8.0, 2.767433863187248e-7),
            (8.15, 0.023528278365786123),
            (8.5, 0.1166325769392755),
            (9.0, 0.33753432684619816),
            (18.0, 0.9999826838481427),
        ];
        let curve = rpn14();
        for (x, y) in at {
            approx::assert_abs_diff_eq!(curve.value(x), y, epsilon = 5e-12);
        }
        let slopes = [
            0.0,
            0.0005525086818680746,
            0.3358768346083505,
            0.3494491676859672,
            0.5969582389267871,
            0.06032184552297048,
            0.0009003953827692708,
            3.142468363044495e-5,
            0.0,
        ];
        for (own, scipy) in curve.slope.iter().zip(slopes) {
            approx::assert_abs_diff_eq!(*own, scipy, epsilon = 1e-14);
        }
    }

    #[test]
    fn points_that_do_not_rise_are_refused() {
        assert!(Pchip::new(vec![0.0, 0.0], vec![0.0, 1.0]).is_none());
        assert!(Pchip::new(vec![0.0], vec![0.0]).is_none());
        assert!(Pchip::new(vec![0.0, 1.0], vec![0.0, f64::NAN]).is_none());
    }

    #[test]
    fn a_piece_alone_is_the_piece_of_the_whole_curve() {
        let curve = rpn14();
        let outer = f64::NAN;
        for left in 0..RPN14_X.len() - 1 {
            let pick = |values: &[f64; 9]| {
                [
                    if left == 0 { outer } else { values[left - 1] },
                    values[left],
                    values[left + 1],
                    values.get(left + 2).copied().unwrap_or(outer),
                ]
            };
            let piece = Piece::new(
                pick(&RPN14_X),
                pick(&RPN14_Y),
                (left > 0, left + 2 < RPN14_X.len()),
            );
            let at = 0.3 * RPN14_X[left] + 0.7 * RPN14_X[left + 1];
            approx::assert_abs_diff_eq!(piece.value(at), curve.value(at), epsilon = 1e-15);
        }
    }

    #[test]
    fn the_least_slope_is_that_of_a_fine_scan() {
        // A dip between a steep and a flat neighbour: the slope is least inside the piece.
        let piece = Piece::new([0.0, 1.0, 2.0, 3.0], [0.0, 5.0, 4.0, 2.0], (true, true));
        let scanned = (0..1000)
            .map(|i| 1.0 + f64::from(i) / 1000.0)
            .map(|at| (piece.value(at + 1e-3) - piece.value(at)) / 1e-3)
            .fold(f64::INFINITY, f64::min);
        approx::assert_abs_diff_eq!(piece.least_slope(), scanned, epsilon = 1e-4);
    }

    proptest! {
        #[test]
        fn rising_points_give_a_rising_curve(
            steps in prop::collection::vec((0.1_f64..3.0, 0.0_f64..5.0), 2..12),
        ) {
            let mut point = (0.0, 0.0);
            let points: Vec<_> = steps
                .iter()
                .map(|step| {
                    point = (point.0 + step.0, point.1 + step.1);
                    point
                })
                .collect();
            let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
            let (from, to) = (x[0], x[x.len() - 1]);
            let curve = Pchip::new(x, y).unwrap();
            let mut before = f64::NEG_INFINITY;
            for i in 0..=500 {
                let value = curve.value(from + (to - from) * f64::from(i) / 500.0);
                prop_assert!(value >= before - 1e-12);
                before = value;
            }
        }
    }
}
