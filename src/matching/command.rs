//! The command that reaches a servo: sub-trim, output curve, end points and limits, as the radio applies them.

use crate::model_file::{CurveShows, EndPoints, Joins, Radio, Settings};

use super::error::MatchingError;
use super::pchip::Pchip;

/// The additions of a curve's points, joined as the radio joins them, %.
#[derive(Debug, Clone)]
pub(super) enum JoinedPoints {
    /// No curve, or nothing in it.
    Nothing,
    /// Straight lines.
    Straight {
        /// Stick positions of the points.
        at_pct: Vec<f64>,
        /// Additions.
        added_pct: Vec<f64>,
    },
    /// A monotone cubic through the additions.
    Smooth(Pchip),
    /// A monotone cubic through the outputs; beyond the outermost points their additions hold.
    SmoothOutputs(Pchip, [f64; 2]),
}

impl JoinedPoints {
    /// Joins the points of a curve as typed; beyond the outermost points their additions hold.
    pub fn new(radio: &Radio, typed_pct: &[f64]) -> Self {
        let Some(at_pct) = &radio.curve_points_pct else {
            return Self::Nothing;
        };
        let added_pct = radio.additions_pct(typed_pct);
        if added_pct.len() != at_pct.len() || added_pct.iter().all(|&added| added == 0.0) {
            return Self::Nothing;
        }
        let smooth = match (radio.joins, radio.curve_shows) {
            (Joins::Straight, _) => None,
            (Joins::Smooth, CurveShows::Added) => {
                Pchip::new(at_pct.clone(), added_pct.clone()).map(Self::Smooth)
            }
            (Joins::Smooth, CurveShows::Output) => {
                let ends = [at_pct[0], at_pct[at_pct.len() - 1]];
                Pchip::new(at_pct.clone(), typed_pct.to_vec())
                    .map(|outputs| Self::SmoothOutputs(outputs, ends))
            }
        };
        smooth.unwrap_or_else(|| Self::Straight {
            at_pct: at_pct.clone(),
            added_pct,
        })
    }

    /// The addition at a stick position, %.
    pub fn added_pct(&self, stick_pct: f64) -> f64 {
        match self {
            Self::Nothing => 0.0,
            Self::Straight { at_pct, added_pct } => straight(at_pct, added_pct, stick_pct),
            Self::Smooth(curve) => curve.value(stick_pct),
            Self::SmoothOutputs(outputs, [first, last]) => {
                let within = stick_pct.clamp(*first, *last);
                outputs.value(within) - within
            }
        }
    }
}

fn straight(at: &[f64], value: &[f64], x: f64) -> f64 {
    let last = at.len() - 1;
    let x = x.clamp(at[0], at[last]);
    let piece = at[1..last].partition_point(|&knot| knot <= x);
    let share = (x - at[piece]) / (at[piece + 1] - at[piece]);
    value[piece] + share * (value[piece + 1] - value[piece])
}

/// The way from a servo's input to the servo for one set of numbers.
#[derive(Debug, Clone)]
pub(super) struct Command {
    points: JoinedPoints,
    settings: Settings,
    end_points: EndPoints,
    limit_pct: f64,
    curve_limit_pct: f64,
    /// Factor from a position to the servo's input.
    input_sign: f64,
}

impl Command {
    /// The way through `radio` with `settings` entered.
    pub fn new(radio: &Radio, settings: &Settings) -> Self {
        Self {
            points: JoinedPoints::new(radio, &settings.curve_pct),
            settings: settings.clone(),
            end_points: radio.end_points,
            limit_pct: radio.limit_pct,
            // Without a curve nothing is cut off there.
            curve_limit_pct: match radio.curve_points_pct {
                Some(_) => radio.curve_limit_pct,
                None => f64::INFINITY,
            },
            input_sign: 1.0,
        }
    }

    /// The same way where the servo's input is the position with this sign.
    pub fn with_input_sign(self, input_sign: f64) -> Self {
        Self { input_sign, ..self }
    }

    /// Input of the curve, %.
    pub fn curve_input_pct(&self, at_pct: f64) -> f64 {
        let input_pct = self.input_sign * at_pct;
        match self.end_points {
            EndPoints::After => input_pct,
            EndPoints::Before => input_pct * self.end_point_pct(input_pct) / 100.0,
        }
    }

    /// The curve's output: its input and the joined additions, %.
    pub fn curve_pct(&self, at_pct: f64) -> f64 {
        let input_pct = self.curve_input_pct(at_pct);
        self.limited_curve_pct(input_pct + self.points.added_pct(input_pct))
    }

    /// An output of the curve within its own limit, %.
    pub fn limited_curve_pct(&self, curve_pct: f64) -> f64 {
        curve_pct.clamp(-self.curve_limit_pct, self.curve_limit_pct)
    }

    /// Command at the servo, %.
    pub fn servo_pct(&self, at_pct: f64) -> f64 {
        self.servo_for_curve_pct(self.curve_pct(at_pct))
    }

    /// Command at the servo for an output of the curve: end point of its side, sub-trim, limit.
    pub fn servo_for_curve_pct(&self, curve_pct: f64) -> f64 {
        let scaled_pct = match self.end_points {
            EndPoints::After => curve_pct * self.end_point_pct(curve_pct) / 100.0,
            EndPoints::Before => curve_pct,
        };
        (self.settings.sub_trim_pct + scaled_pct).clamp(-self.limit_pct, self.limit_pct)
    }

    /// The curve's output that gives the servo a command within the limits, %.
    pub fn curve_for_servo_pct(&self, servo_pct: f64) -> f64 {
        let scaled_pct = servo_pct - self.settings.sub_trim_pct;
        match self.end_points {
            EndPoints::After => scaled_pct * 100.0 / self.end_point_pct(scaled_pct).max(LEAST_PCT),
            EndPoints::Before => scaled_pct,
        }
    }

    /// End point of the side of a command.
    fn end_point_pct(&self, command_pct: f64) -> f64 {
        self.settings.end_points_pct[usize::from(command_pct > 0.0)]
    }
}

/// Least end point that is divided by, %: none in use is smaller.
const LEAST_PCT: f64 = 1e-9;

/// The numbers that were active at a surface's servo while the clip was taken.
pub(super) fn active(radio: &Radio, surface: &str) -> Result<Settings, MatchingError> {
    let untouched = radio.untouched();
    let Some(declared) = radio.active.get(surface) else {
        return Ok(untouched);
    };
    let mut settings = declared.clone();
    if settings.curve_pct.is_empty() {
        settings.curve_pct = untouched.curve_pct;
    } else if settings.curve_pct.len() != untouched.curve_pct.len() {
        return Err(MatchingError::ActiveCurve {
            surface: surface.into(),
            found: settings.curve_pct.len(),
            expected: untouched.curve_pct.len(),
        });
    }
    Ok(settings)
}

/// Refuses a radio that no arithmetic can serve.
pub(super) fn check(radio: &Radio) -> Result<(), MatchingError> {
    let wrong = |what| Err(MatchingError::Radio { what });
    if !(radio.step_pct >= 0.01 && radio.step_pct <= 50.0) {
        return wrong("step");
    }
    let limits = [radio.limit_pct, radio.curve_limit_pct];
    if !limits.iter().all(|limit| *limit > 0.0 && limit.is_finite()) {
        return wrong("limit");
    }
    match &radio.curve_points_pct {
        Some(points) if points.len() < 2 || !points.windows(2).all(|pair| pair[0] < pair[1]) => {
            wrong("curve points")
        }
        Some(points) if !points.iter().all(|point| point.is_finite()) => wrong("curve points"),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn radio(joins: Joins) -> Radio {
        Radio {
            curve_points_pct: Some(vec![-100.0, -50.0, 0.0, 50.0, 100.0]),
            step_pct: 1.0,
            limit_pct: 90.0,
            joins,
            ..Radio::default()
        }
    }

    #[test]
    fn the_command_is_end_points_and_sub_trim_after_the_curve_and_the_limit_last() {
        // Worked by hand from u = sub_trim + curve(s) · end_point(side) / 100, limited last.
        let settings = Settings {
            curve_pct: vec![0.0, -10.0, 0.0, 4.0, 0.0],
            sub_trim_pct: 2.0,
            end_points_pct: [80.0, 110.0],
        };
        let command = Command::new(&radio(Joins::Straight), &settings);
        let expected = [
            (-100.0, -78.0),
            (-75.0, 2.0 - 80.0 * 0.8),
            (-50.0, -46.0),
            (0.0, 2.0),
            (25.0, 2.0 + 27.0 * 1.1),
            (100.0, 90.0),
        ];
        for (stick, servo) in expected {
            approx::assert_abs_diff_eq!(command.servo_pct(stick), servo, epsilon = 1e-12);
        }
    }

    #[test]
    fn smooth_joins_add_the_monotone_cubic_of_the_points() {
        // By hand: between a peak of 8 and an end of 0 the cubic is flat at the peak and has the
        // three-point slope m at the end, so half-way it is 8/2 − 50·m/8.
        let settings = Settings {
            curve_pct: vec![0.0, 0.0, 0.0, 8.0, 0.0],
            sub_trim_pct: 0.0,
            end_points_pct: [100.0, 100.0],
        };
        let command = Command::new(&radio(Joins::Smooth), &settings);
        let slope = (3.0 * (0.0 - 8.0) / 50.0 - (8.0 / 50.0)) / 2.0;
        approx::assert_abs_diff_eq!(
            command.curve_pct(75.0),
            75.0 + 4.0 - 50.0 * slope / 8.0,
            epsilon = 1e-12
        );
    }
}
