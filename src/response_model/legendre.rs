//! Legendre polynomials over a range of commands.

/// Legendre polynomials over a range of commands, from order 0 on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Legendre {
    middle_pct: f64,
    half_range_pct: f64,
    count: usize,
}

impl Legendre {
    /// So many polynomials over a range.
    pub fn over([lowest_pct, highest_pct]: [f64; 2], count: usize) -> Self {
        Self {
            middle_pct: 0.5 * (lowest_pct + highest_pct),
            half_range_pct: 0.5 * (highest_pct - lowest_pct),
            count,
        }
    }

    /// The values of all polynomials at a command.
    pub fn values(&self, command_pct: f64) -> Vec<f64> {
        let x = (command_pct - self.middle_pct) / self.half_range_pct;
        let mut values = Vec::with_capacity(self.count + 2);
        values.extend([1.0, x]);
        // Bonnet's recursion.
        for order in 2..self.count {
            let k = order as f64;
            let (before, last) = (values[order - 2], values[order - 1]);
            values.push(((2.0 * k - 1.0) * x * last - (k - 1.0) * before) / k);
        }
        values.truncate(self.count);
        values
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polynomials_are_those_written_out() {
        // M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), table 22.9.
        let legendre = Legendre::over([-100.0, 100.0], 5);
        for x in [-1.0, -0.3, 0.0, 0.7, 1.0_f64] {
            let [x2, x3, x4] = [2, 3, 4].map(|power| x.powi(power));
            let expected = [
                1.0,
                x,
                0.5 * (3.0 * x2 - 1.0),
                0.5 * (5.0 * x3 - 3.0 * x),
                0.125 * (35.0 * x4 - 30.0 * x2 + 3.0),
            ];
            for (value, expected) in legendre.values(100.0 * x).iter().zip(expected) {
                assert!((value - expected).abs() < 1e-12, "{x}");
            }
        }
    }
}
