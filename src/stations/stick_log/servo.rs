//! Where a servo's shaft is while its command moves.
//!
//! First-order lag with a largest speed: du/dt = clamp((s − u)/τ, ±v). A clip does not determine
//! more of a servo; common practice in simulation, no source.

use super::log::StickLog;

/// Time step, s: a tenth of a fast servo's lag.
const STEP_S: f64 = 0.004;

/// After the log begins the shaft's place is not known for this long, s.
const UNKNOWN_AFTER_START_S: f64 = 0.3;

/// How one servo follows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::stations) struct Servo {
    /// Time constant of the lag, s.
    pub lag_s: f64,
    /// Time per way at the largest speed, s per pct; 0 for no limit.
    pub slowness_s_per_pct: f64,
}

/// The shaft in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::stations) struct Shaft {
    /// Where it is, as the stick that it would rest at.
    pub at_pct: f64,
    /// Whether it ran at its largest speed since the frame before.
    pub at_limit: bool,
}

impl Servo {
    /// The shaft in every frame, for a log whose clock is `offset_s` ahead of the clip's.
    ///
    /// `None` if the log does not determine it.
    pub fn follow(&self, log: &StickLog, offset_s: f64, time_s: &[f64]) -> Vec<Option<Shaft>> {
        let mut course = Vec::with_capacity(time_s.len());
        let first_s = time_s.first().copied().unwrap_or(0.0) - UNKNOWN_AFTER_START_S;
        let mut walk = Walk {
            servo: *self,
            now_s: first_s,
            known_for_s: f64::NEG_INFINITY,
            at_pct: 0.0,
            at_limit: false,
        };
        for &frame_s in time_s {
            while walk.now_s < frame_s {
                let step_s = STEP_S.min(frame_s - walk.now_s);
                let command_pct = log.stick_pct(walk.now_s + 0.5 * step_s + offset_s);
                walk.step(command_pct, step_s);
            }
            let is_known = walk.known_for_s >= UNKNOWN_AFTER_START_S - STEP_S;
            course.push(is_known.then_some(Shaft {
                at_pct: walk.at_pct,
                at_limit: walk.at_limit,
            }));
            walk.at_limit = false;
        }
        course
    }
}

/// A shaft on its way.
struct Walk {
    servo: Servo,
    now_s: f64,
    /// How long the command has been known.
    known_for_s: f64,
    at_pct: f64,
    at_limit: bool,
}

impl Walk {
    fn step(&mut self, command_pct: Option<f64>, step_s: f64) {
        self.now_s += step_s;
        let Some(command_pct) = command_pct else {
            self.known_for_s = f64::NEG_INFINITY;
            return;
        };
        if self.known_for_s < 0.0 {
            self.known_for_s = 0.0;
            self.at_pct = command_pct;
            return;
        }
        self.known_for_s += step_s;
        // Exact for a command that stays during the step.
        let share = match self.servo.lag_s {
            lag_s if lag_s > 0.0 => 1.0 - (-step_s / lag_s).exp(),
            _ => 1.0,
        };
        let way_pct = (command_pct - self.at_pct) * share;
        let slowness = self.servo.slowness_s_per_pct;
        self.at_pct += if way_pct.abs() * slowness > step_s {
            self.at_limit = true;
            (step_s / slowness).copysign(way_pct)
        } else {
            way_pct
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ramp of 50 %/s from 1 s on, logged a hundred times a second.
    fn ramp() -> StickLog {
        let time_s: Vec<f64> = (0..500).map(|k| 0.01 * f64::from(k)).collect();
        let stick: Vec<f64> = time_s.iter().map(|t| 50.0 * (t - 1.0).max(0.0)).collect();
        StickLog::of(&time_s, &stick)
    }

    fn shaft_pct(servo: Servo, offset_s: f64, at_s: f64) -> Shaft {
        let frames: Vec<f64> = (0..120).map(|k| f64::from(k) / 30.0).collect();
        let course = servo.follow(&ramp(), offset_s, &frames);
        course[(at_s * 30.0).round() as usize].unwrap()
    }

    #[test]
    fn a_lag_delays_a_long_ramp_by_itself_and_rounds_its_start() {
        let servo = Servo {
            lag_s: 0.05,
            slowness_s_per_pct: 0.0,
        };
        // First-order lag on a ramp r·t: r (t − τ (1 − e^(−t/τ))), e.g. Ogata, Modern Control
        // Engineering, 5-2 (from memory).
        for (at_s, into_s) in [(3.0, 2.0), (1.1, 0.1)] {
            let expected = 50.0 * (into_s - 0.05 * (1.0 - f64::exp(-into_s / 0.05)));
            let shaft = shaft_pct(servo, 0.0, at_s);
            assert!((shaft.at_pct - expected).abs() < 0.02, "{shaft:?}");
            assert!(!shaft.at_limit);
        }
        // A log that is 0.2 s ahead shows the ramp 0.2 s earlier in the clip.
        let ahead = shaft_pct(servo, 0.2, 2.8);
        assert!((ahead.at_pct - shaft_pct(servo, 0.0, 3.0).at_pct).abs() < 1e-6);
    }

    #[test]
    fn a_slow_servo_falls_behind_and_says_so() {
        let servo = Servo {
            lag_s: 0.03,
            slowness_s_per_pct: 1.0 / 40.0,
        };
        let shaft = shaft_pct(servo, 0.0, 3.0);
        // 40 %/s for two seconds, less the start.
        assert!(
            (shaft.at_pct - 80.0).abs() < 2.0 && shaft.at_limit,
            "{shaft:?}"
        );
    }

    #[test]
    fn nothing_is_known_before_the_log_begins_and_just_after() {
        let servo = Servo {
            lag_s: 0.0,
            slowness_s_per_pct: 0.0,
        };
        let frames: Vec<f64> = (0..120).map(|k| f64::from(k) / 30.0).collect();
        let course = servo.follow(&ramp(), -1.0, &frames);
        let first_known = course.iter().position(Option::is_some).unwrap();
        assert!((frames[first_known] - 1.3).abs() < 0.05);
    }
}
