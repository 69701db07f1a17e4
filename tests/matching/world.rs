//! A measured aircraft with known truth, and the radio's arithmetic written down a second time.

use hingewise::matching::{Correction, MatchingError, MatchingWarning, match_groups};
use hingewise::measured::Measured;
use hingewise::model_file::{
    CurveShows, EndPoints, Joins, MatchGroup, MatchMotion, Radio, Settings,
};
use hingewise::response::{Health, Response, Responses, StationDeflection};
use hingewise::stations::Approach;
use nalgebra::DMatrix;

use super::linkage::Side;
use crate::support::random::Random;

pub const REFERENCE: &str = "left elevator";
pub const FOLLOWER: &str = "right elevator";

/// Up, down and back in steps of 25 %.
pub const ROUND_25: [f64; 17] = [
    0.0, 25.0, 50.0, 75.0, 100.0, 75.0, 50.0, 25.0, 0.0, -25.0, -50.0, -75.0, -100.0, -75.0, -50.0,
    -25.0, 0.0,
];

/// How a side is measured.
pub struct Measuring {
    /// Standard deviation of a station, deg.
    pub sd_deg: f64,
    /// Half the play, deg.
    pub half_play_deg: f64,
    /// Scatter of the surface itself between visits, deg.
    pub scatter_deg: f64,
}

impl Measuring {
    /// An exact measurement of surfaces without play.
    pub const EXACT: Self = Self {
        sd_deg: 0.0,
        half_play_deg: 0.0,
        scatter_deg: 0.0,
    };

    /// Stations as a tripod clip gives them, and a good servo's own scatter.
    pub const TRIPOD: Self = Self {
        sd_deg: 0.02,
        half_play_deg: 0.1,
        scatter_deg: 0.01,
    };
}

/// The stations of one surface.
pub fn measured(
    name: &str,
    order_pct: &[f64],
    how: &Measuring,
    random: &mut Random,
    deg: impl Fn(f64) -> f64,
) -> Response {
    let mut stations: Vec<StationDeflection> = Vec::new();
    for (hold, &stick_pct) in order_pct.iter().enumerate() {
        let approach = match hold.checked_sub(1).map(|before| order_pct[before]) {
            None => Approach::First,
            Some(before) if before < stick_pct => Approach::Rising,
            Some(_) => Approach::Falling,
        };
        let rests = match approach {
            Approach::Rising => -how.half_play_deg,
            Approach::Falling => how.half_play_deg,
            Approach::First => random.between(-how.half_play_deg, how.half_play_deg),
        };
        let value = deg(stick_pct) + rests + how.sd_deg.hypot(how.scatter_deg) * random.normal();
        stations.push(StationDeflection {
            stick_pct,
            approach,
            time_s: [hold as f64, hold as f64 + 0.6],
            frames: 12,
            deflection_deg: Measured::new(value, how.sd_deg),
            throw_mm: None,
            inclinometer_deg: None,
            hold,
        });
    }
    // Zero is the mean of the visits to neutral.
    let neutral: Vec<f64> = stations
        .iter()
        .filter(|at| at.stick_pct == 0.0)
        .map(|at| at.deflection_deg.value)
        .collect();
    let zero = neutral.iter().sum::<f64>() / neutral.len().max(1) as f64;
    for station in &mut stations {
        station.deflection_deg.value -= zero;
    }
    Response {
        surface: name.into(),
        stations,
        health: Health::default(),
    }
}

/// Puts surfaces together, errors independent.
pub fn responses(surfaces: Vec<Response>) -> Responses {
    let variances: Vec<f64> = surfaces
        .iter()
        .flat_map(|response| &response.stations)
        .map(|at| at.deflection_deg.sd.powi(2))
        .collect();
    Responses {
        surfaces,
        covariance_deg2: DMatrix::from_diagonal(&variances.into()),
        lags: Vec::new(),
        neutral: None,
        level: None,
    }
}

/// Matches one group; a pair that cannot be matched is an error here.
pub fn match_group(
    responses: &Responses,
    group: &MatchGroup,
    radio: Option<&Radio>,
    warnings: &mut Vec<MatchingWarning>,
) -> Result<Vec<Correction>, MatchingError> {
    let corrections = match_groups(responses, std::slice::from_ref(group), radio, warnings)?;
    let refused = warnings.iter().find_map(|warning| match warning {
        MatchingWarning::NotMatched { reason, .. } => Some(reason.clone()),
        _ => None,
    });
    refused.map_or(Ok(corrections), Err)
}

pub fn group(motion: MatchMotion) -> MatchGroup {
    MatchGroup {
        reference: REFERENCE.into(),
        followers: vec![FOLLOWER.into()],
        motion,
        tolerance_deg: 0.3,
        target: hingewise::model_file::Target::Reference,
        compare: Default::default(),
        down_to_up: None,
    }
}

pub fn radio(points_pct: &[f64], step_pct: f64, joins: Joins) -> Radio {
    Radio {
        curve_points_pct: (!points_pct.is_empty()).then(|| points_pct.to_vec()),
        step_pct,
        limit_pct: 150.0,
        joins,
        ..Radio::default()
    }
}

/// `count` points evenly from −100 to +100 %.
pub fn even_points(count: usize) -> Vec<f64> {
    (0..count)
        .map(|i| -100.0 + 200.0 * i as f64 / (count - 1) as f64)
        .collect()
}

/// What reaches the servo: u = sub_trim + curve(s) · end_point(side) / 100, limited last; with end
/// points before the curve u = sub_trim + curve(s · end_point(side) / 100).
pub fn servo_pct(radio: &Radio, settings: &Settings, stick_pct: f64) -> f64 {
    let end_point = |pct: f64| settings.end_points_pct[usize::from(pct > 0.0)] / 100.0;
    let input = match radio.end_points {
        EndPoints::After => stick_pct,
        EndPoints::Before => stick_pct * end_point(stick_pct),
    };
    let mut curve = input;
    if let Some(points) = &radio.curve_points_pct {
        let joined = |at: f64| match radio.joins {
            Joins::Straight => straight(points, &settings.curve_pct, at),
            Joins::Smooth => smooth(points, &settings.curve_pct, at),
        };
        curve = match radio.curve_shows {
            CurveShows::Added => input + joined(input),
            CurveShows::Output => joined(input),
        };
        curve = curve.clamp(-radio.curve_limit_pct, radio.curve_limit_pct);
    }
    let scaled = match radio.end_points {
        EndPoints::After => curve * end_point(curve),
        EndPoints::Before => curve,
    };
    (settings.sub_trim_pct + scaled).clamp(-radio.limit_pct, radio.limit_pct)
}

fn straight(x: &[f64], y: &[f64], at: f64) -> f64 {
    if at <= x[0] {
        return y[0];
    }
    for i in 1..x.len() {
        if at <= x[i] {
            let share = (at - x[i - 1]) / (x[i] - x[i - 1]);
            return (1.0 - share) * y[i - 1] + share * y[i];
        }
    }
    y[y.len() - 1]
}

/// Monotone cubic in the power form a + b t + c t² + d t³, slopes after Fritsch and Butland.
fn smooth(x: &[f64], y: &[f64], at: f64) -> f64 {
    let n = x.len();
    let h = |i: usize| x[i + 1] - x[i];
    let d = |i: usize| (y[i + 1] - y[i]) / h(i);
    let end = |h0: f64, h1: f64, d0: f64, d1: f64| {
        let m = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
        if m * d0 <= 0.0 {
            0.0
        } else if d0 * d1 <= 0.0 && m.abs() > (3.0 * d0).abs() {
            3.0 * d0
        } else {
            m
        }
    };
    let slope = |i: usize| {
        if n == 2 {
            d(0)
        } else if i == 0 {
            end(h(0), h(1), d(0), d(1))
        } else if i == n - 1 {
            end(h(n - 2), h(n - 3), d(n - 2), d(n - 3))
        } else if d(i - 1) * d(i) <= 0.0 {
            0.0
        } else {
            let (w1, w2) = (2.0 * h(i) + h(i - 1), h(i) + 2.0 * h(i - 1));
            (w1 + w2) / (w1 / d(i - 1) + w2 / d(i))
        }
    };
    let at = at.clamp(x[0], x[n - 1]);
    let i = (1..n - 1).filter(|&i| x[i] <= at).max().unwrap_or(0);
    let (t, m0, m1) = (at - x[i], slope(i), slope(i + 1));
    let c = (3.0 * d(i) - 2.0 * m0 - m1) / h(i);
    let cubic = (m0 + m1 - 2.0 * d(i)) / (h(i) * h(i));
    y[i] + t * (m0 + t * (c + t * cubic))
}

/// Largest true |mismatch| over the whole travel once the numbers are entered, deg.
pub fn true_worst_deg(
    radio: &Radio,
    settings: &Settings,
    reference: impl Fn(f64) -> f64,
    follower: &Side,
) -> f64 {
    (-200..=200)
        .map(|i| 0.5 * f64::from(i))
        .map(|stick| {
            let reached = follower.deg(servo_pct(radio, settings, stick)) - follower.deg(0.0);
            (reached - reference(stick)).abs()
        })
        .fold(0.0, f64::max)
}
