//! How much a large residual counts.

/// A loss ρ(s) of the squared norm s of a residual block in units of its standard deviation.
///
/// The cost is ½ Σ ρ(s); ρ(s) ≈ s for small s (P. J. Huber, Robust Statistics, 1981).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loss {
    /// ρ = s: plain least squares.
    Quadratic,
    /// Grows linearly beyond `width` standard deviations.
    Huber {
        /// Where the loss turns linear, standard deviations.
        width: f64,
    },
    /// Grows logarithmically beyond `width` standard deviations: gross errors hardly count.
    Cauchy {
        /// Where an error begins to count less, standard deviations.
        width: f64,
    },
}

impl Loss {
    /// ρ(s).
    pub fn value(&self, squared_norm: f64) -> f64 {
        match *self {
            Self::Quadratic => squared_norm,
            Self::Huber { width } if squared_norm <= width * width => squared_norm,
            Self::Huber { width } => 2.0 * width * squared_norm.sqrt() - width * width,
            Self::Cauchy { width } => width * width * (squared_norm / (width * width)).ln_1p(),
        }
    }

    /// dρ/ds, the weight of a block in reweighted least squares, between 0 and 1.
    pub fn weight(&self, squared_norm: f64) -> f64 {
        match *self {
            Self::Quadratic => 1.0,
            Self::Huber { width } if squared_norm <= width * width => 1.0,
            Self::Huber { width } => width / squared_norm.sqrt(),
            Self::Cauchy { width } => (1.0 + squared_norm / (width * width)).recip(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_weight_is_the_slope_of_the_loss(squared_norm in 0.01..400.0, width in 0.5..5.0) {
            for loss in [Loss::Quadratic, Loss::Huber { width }, Loss::Cauchy { width }] {
                let step = 1e-5 * squared_norm;
                let slope = (loss.value(squared_norm + step) - loss.value(squared_norm - step))
                    / (2.0 * step);
                prop_assert!((slope - loss.weight(squared_norm)).abs() < 1e-4);
            }
        }
    }
}
