//! Servo arm, rod and horn in one plane: deflection as a function of the servo's command.
//!
//! Lengths count in arm lengths. The servo's pivot is the origin, the hinge is at distance d
//! along x; arm and horn are square to that line, except for their own angles, and the rod is
//! as long as neutral asks. With w from the hinge to the arm's end and horn length R the horn's
//! angle φ meets w·(sin φ, cos φ) = (|w|² + R² − L²) / 2R, the closure of Freudenstein's equation.

use std::f64::consts::TAU;

/// The parameters of a linkage. Logarithms keep lengths positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Linkage {
    /// ln of horn length ÷ arm length.
    pub ln_horn: f64,
    /// ln of the servo's turn for a command of 100 %, rad.
    pub ln_turn: f64,
    /// The arm off square at neutral, rad.
    pub arm_rad: f64,
    /// The horn off square at neutral, rad.
    pub horn_rad: f64,
    /// ln of the distance of the pivots ÷ arm length.
    pub ln_distance: f64,
}

impl Linkage {
    /// Deflection against neutral, deg; `None` where the linkage binds.
    pub fn deflection_deg(&self, command_pct: f64) -> Option<f64> {
        let horn = self.ln_horn.exp();
        let distance = self.ln_distance.exp();
        let from_hinge = |arm_rad: f64| [arm_rad.sin() - distance, arm_rad.cos()];
        let at_neutral = from_hinge(self.arm_rad);
        let rod = [
            at_neutral[0] - horn * self.horn_rad.sin(),
            at_neutral[1] - horn * self.horn_rad.cos(),
        ];
        let rod_squared = rod[0] * rod[0] + rod[1] * rod[1];
        let solve = |w: [f64; 2]| {
            let squared = w[0] * w[0] + w[1] * w[1];
            let share = (squared + horn * horn - rod_squared) / (2.0 * horn * squared.sqrt());
            (share.abs() <= 1.0).then(|| (w[0].atan2(w[1]), share.acos()))
        };
        let (middle, _) = solve(at_neutral)?;
        let branch = wrapped(self.horn_rad - middle).signum();
        let turn_rad = self.ln_turn.exp() * command_pct / 100.0;
        let (middle, spread) = solve(from_hinge(self.arm_rad + turn_rad))?;
        Some(wrapped(middle + branch * spread - self.horn_rad).to_degrees())
    }
}

/// An angle wrapped to −π…π, rad.
fn wrapped(angle_rad: f64) -> f64 {
    angle_rad - TAU * (angle_rad / TAU).round()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_four_bar_of_the_textbook_is_met() {
        // Norton, Design of Machinery (example from memory, recomputed): a 40, b 120, c 80,
        // d 100, θ2 40° → θ4 57.3249°. There angles count from the line of the pivots, here from
        // square to it, clockwise; deflections are differences of θ4 for two θ2, the second by
        // Freudenstein's equation K1 cos θ4 − K2 cos θ2 + K3 = cos(θ2 − θ4).
        let theta4 = |theta2: f64| {
            let (k1, k2) = (100.0 / 40.0, 100.0 / 80.0);
            let k3 = (40.0_f64.powi(2) - 120.0_f64.powi(2) + 80.0_f64.powi(2) + 100.0_f64.powi(2))
                / (2.0 * 40.0 * 80.0);
            let closure =
                |theta4: f64| k1 * theta4.cos() - k2 * theta2.cos() + k3 - (theta2 - theta4).cos();
            let (mut low, mut high) = (20.0_f64.to_radians(), 100.0_f64.to_radians());
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if closure(middle) * closure(low) > 0.0 {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            low.to_degrees()
        };
        let start = 40.0_f64.to_radians();
        approx::assert_abs_diff_eq!(theta4(start), 57.3249, epsilon = 1e-4);
        let linkage = Linkage {
            ln_horn: 2.0_f64.ln(),
            ln_turn: 0.5_f64.ln(),
            arm_rad: 50.0_f64.to_radians(),
            horn_rad: (90.0 - 57.3249_f64).to_radians(),
            ln_distance: 2.5_f64.ln(),
        };
        for command_pct in [-20.0, 20.0, 40.0] {
            let turned = start - 0.5 * command_pct / 100.0;
            let expected = theta4(start) - theta4(turned);
            let found = linkage.deflection_deg(command_pct).unwrap();
            approx::assert_abs_diff_eq!(found, expected, epsilon = 1e-3);
        }
    }
}
