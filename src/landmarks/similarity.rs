//! How a whole picture moved: shifted, turned and enlarged.

use nalgebra::{Complex, Matrix2, Point2};
use serde::{Deserialize, Serialize};

/// Fewer places do not determine the motion of a picture.
const LEAST_PLACES: usize = 6;

/// z ↦ a z + b with places as complex numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Similarity {
    turn: [f64; 2],
    shift: [f64; 2],
}

impl Default for Similarity {
    fn default() -> Self {
        Self {
            turn: [1.0, 0.0],
            shift: [0.0, 0.0],
        }
    }
}

impl Similarity {
    /// The least-squares transform from the first places to the second; `None` if there are too few
    /// or all coincide.
    pub fn between(pairs: impl Iterator<Item = (Point2<f64>, Point2<f64>)>) -> Option<Self> {
        let pairs: Vec<[Complex<f64>; 2]> = pairs
            .map(|(from, to)| [from, to].map(|place| Complex::new(place.x, place.y)))
            .collect();
        if pairs.len() < LEAST_PLACES {
            return None;
        }
        let sums = pairs.iter().fold([Complex::default(); 2], |sums, pair| {
            [sums[0] + pair[0], sums[1] + pair[1]]
        });
        let means = sums.map(|sum| sum / pairs.len() as f64);
        let (mut product, mut square) = (Complex::default(), 0.0);
        for [from, to] in pairs {
            let from = from - means[0];
            product += from.conj() * (to - means[1]);
            square += from.norm_sqr();
        }
        let turn = product / square;
        let shift = means[1] - turn * means[0];
        (turn.is_finite() && square > 0.0).then_some(Self {
            turn: [turn.re, turn.im],
            shift: [shift.re, shift.im],
        })
    }

    /// The new place of a point.
    pub fn of(&self, place: &Point2<f64>) -> Point2<f64> {
        self.linear() * place + nalgebra::Vector2::from(self.shift)
    }

    /// How a small piece of the picture was turned and enlarged.
    pub fn linear(&self) -> Matrix2<f64> {
        let [re, im] = self.turn;
        Matrix2::new(re, -im, im, re)
    }
}
