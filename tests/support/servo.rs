//! Servo and play.

/// How a servo follows its command. Time steps are small against the lag.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Servo {
    /// Shaft angle for a command of 100 %.
    pub deg_at_100: f64,
    /// Commands that differ less from the shaft are ignored.
    pub dead_band_pct: f64,
    /// First-order lag.
    pub lag_s: f64,
    /// Largest speed.
    pub slew_pct_per_s: f64,
    /// The shaft goes no further than this.
    pub stop_pct: f64,
}

impl Servo {
    pub fn ideal() -> Self {
        Self {
            deg_at_100: 45.0,
            dead_band_pct: 0.0,
            lag_s: 0.0,
            slew_pct_per_s: f64::INFINITY,
            stop_pct: f64::INFINITY,
        }
    }

    /// Where the shaft is one time step later, percent.
    pub fn next_pct(&self, shaft_pct: f64, command_pct: f64, step_s: f64) -> f64 {
        let wanted = command_pct.clamp(-self.stop_pct, self.stop_pct);
        let miss = wanted - shaft_pct;
        if miss.abs() <= self.dead_band_pct {
            return shaft_pct;
        }
        let share = if self.lag_s > 0.0 {
            1.0 - (-step_s / self.lag_s).exp()
        } else {
            1.0
        };
        let limit = self.slew_pct_per_s * step_s;
        shaft_pct + (miss * share).clamp(-limit, limit)
    }
}

/// Where a surface with play rests when its horn goes to `driven`, having rested at `before`.
pub fn after_play(before: f64, driven: f64, play: f64) -> f64 {
    before.clamp(driven - 0.5 * play, driven + 0.5 * play)
}
