//! How much arms, rods and horns bend the response of a surface.

/// Order of the first of [`BEND_SHARES`].
pub const FIRST_BEND: usize = 2;

/// Standard deviation of the Legendre coefficients of order 2, 3, … of a linkage's deflection over
/// its command, as a share of half the travel: root mean square over random spatial arm–rod–horn
/// linkages with arms up to 20° off square, skewed axes and rods of 3 to 10 arm lengths, rounded up.
pub const BEND_SHARES: [f64; 7] = [0.15, 0.06, 0.02, 0.008, 0.004, 0.002, 0.001];

/// Coefficient of the highest power in the Legendre polynomial of this order: Π (2k − 1) / k
/// (NIST Digital Library of Mathematical Functions, table 18.3.1).
pub fn legendre_leading(order: usize) -> f64 {
    (1..=order).map(|k| (2 * k - 1) as f64 / k as f64).product()
}

#[cfg(test)]
mod tests {
    use super::legendre_leading;

    #[test]
    fn leading_coefficients_are_those_of_the_written_out_polynomials() {
        // M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), table 22.9.
        let written_out = [1.0, 1.0, 3.0 / 2.0, 5.0 / 2.0, 35.0 / 8.0, 63.0 / 8.0];
        for (order, expected) in written_out.into_iter().enumerate() {
            assert!(
                (legendre_leading(order) - expected).abs() < 1e-12,
                "{order}"
            );
        }
    }
}
