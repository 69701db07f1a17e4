//! Seeded normal numbers: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014) and Box–Muller.

use std::f64::consts::TAU;

/// A stream of normal numbers with mean 0 and variance 1 that depends on its seed alone.
#[derive(Debug, Clone)]
pub(super) struct Normals {
    state: u64,
}

impl Normals {
    pub fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// Even in (0, 1].
    fn unit(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.state;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        bits ^= bits >> 31;
        ((bits >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    pub fn next(&mut self) -> f64 {
        let radius = (-2.0 * self.unit().ln()).sqrt();
        radius * (TAU * self.unit()).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_those_of_the_normal_distribution() {
        // Mean 0, variance 1, fourth moment 3 (NIST/SEMATECH e-Handbook, 1.3.6.6.1).
        let mut normals = Normals::new(1);
        let count = 20_000;
        let mut moments = [0.0; 3];
        for _ in 0..count {
            let value = normals.next();
            for (moment, power) in moments.iter_mut().zip([1, 2, 4]) {
                *moment += value.powi(power) / f64::from(count);
            }
        }
        approx::assert_abs_diff_eq!(moments[0], 0.0, epsilon = 0.03);
        approx::assert_abs_diff_eq!(moments[1], 1.0, epsilon = 0.04);
        approx::assert_abs_diff_eq!(moments[2], 3.0, epsilon = 0.3);
    }
}
