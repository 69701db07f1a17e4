//! What reaches a servo: sub-trim, output curve, end points and limit, as the radio applies them.

use crate::model_file::{Joins, Radio, Settings};

use super::MatchingError;
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
    /// A monotone cubic.
    Smooth(Pchip),
}

impl JoinedPoints {
    /// Joins the additions; beyond the outermost points their additions hold.
    pub fn new(radio: &Radio, added_pct: &[f64]) -> Self {
        let Some(at_pct) = &radio.curve_points_pct else {
            return Self::Nothing;
        };
        if added_pct.iter().all(|&added| added == 0.0) {
            return Self::Nothing;
        }
        let straight = || Self::Straight {
            at_pct: at_pct.clone(),
            added_pct: added_pct.to_vec(),
        };
        match radio.joins {
            Joins::Straight => straight(),
            Joins::Smooth => {
                Pchip::new(at_pct.clone(), added_pct.to_vec()).map_or_else(straight, Self::Smooth)
            }
        }
    }

    /// The addition at a stick position, %.
    pub fn added_pct(&self, stick_pct: f64) -> f64 {
        match self {
            Self::Nothing => 0.0,
            Self::Straight { at_pct, added_pct } => straight(at_pct, added_pct, stick_pct),
            Self::Smooth(curve) => curve.value(stick_pct),
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

/// The way from stick to servo for one set of numbers.
#[derive(Debug, Clone)]
pub(super) struct Command {
    points: JoinedPoints,
    sub_trim_pct: f64,
    end_points_pct: [f64; 2],
    limit_pct: f64,
}

impl Command {
    /// The way through `radio` with `settings` entered.
    pub fn new(radio: &Radio, settings: &Settings) -> Self {
        Self {
            points: JoinedPoints::new(radio, &settings.curve_pct),
            sub_trim_pct: settings.sub_trim_pct,
            end_points_pct: settings.end_points_pct,
            limit_pct: radio.limit_pct,
        }
    }

    /// The curve's output: the stick and the joined additions, %.
    pub fn curve_pct(&self, stick_pct: f64) -> f64 {
        stick_pct + self.points.added_pct(stick_pct)
    }

    /// What the servo gets, %.
    pub fn servo_pct(&self, stick_pct: f64) -> f64 {
        self.servo_for_curve_pct(self.curve_pct(stick_pct))
    }

    /// What the servo gets for an output of the curve: end point of its side, sub-trim, limit.
    pub fn servo_for_curve_pct(&self, curve_pct: f64) -> f64 {
        let side = usize::from(curve_pct > 0.0);
        let command = self.sub_trim_pct + curve_pct * self.end_points_pct[side] / 100.0;
        command.clamp(-self.limit_pct, self.limit_pct)
    }
}

/// Numbers of a servo that nobody has touched.
pub(super) fn untouched(radio: &Radio) -> Settings {
    Settings {
        curve_pct: vec![0.0; radio.curve_points_pct.as_ref().map_or(0, Vec::len)],
        ..Settings::default()
    }
}

/// The numbers that were active at a surface's servo while the clip was taken.
pub(super) fn active(radio: &Radio, surface: &str) -> Result<Settings, MatchingError> {
    let Some(declared) = radio.active.get(surface) else {
        return Ok(untouched(radio));
    };
    let mut settings = declared.clone();
    let expected = radio.curve_points_pct.as_ref().map_or(0, Vec::len);
    if settings.curve_pct.is_empty() {
        settings.curve_pct = vec![0.0; expected];
    }
    if settings.curve_pct.len() != expected {
        return Err(MatchingError::ActiveCurve {
            surface: surface.into(),
            found: settings.curve_pct.len(),
            expected,
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
    if !(radio.limit_pct > 0.0 && radio.limit_pct.is_finite()) {
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
    use std::collections::BTreeMap;

    fn radio(joins: Joins) -> Radio {
        Radio {
            curve_points_pct: Some(vec![-100.0, -50.0, 0.0, 50.0, 100.0]),
            step_pct: 1.0,
            limit_pct: 90.0,
            joins,
            us_per_pct: None,
            active: BTreeMap::new(),
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
