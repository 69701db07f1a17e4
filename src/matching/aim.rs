//! The target of both sides where neither is the reference: a straight line, declared
//! throws, or the smaller of both sides.
//!
//! The target is written down as the response of one more surface, known exactly, so that each
//! side is matched to it as it would be to a reference.

use super::constants::SPACING_PCT;
use nalgebra::DMatrix;

use crate::measured::Measured;
use crate::model_file::{Compare, MatchGroup, MatchMotion, Radio, Target};
use crate::response::{Health, Response, Responses, StationDeflection};
use crate::stations::Approach;
use crate::stick;

use super::command::{self, Command};
use super::curve::ResponseCurve;
use super::error::MatchingError;
use super::visits::Visits;

/// Stick at which throws are declared, %.
const FULL_PCT: f64 = 100.0;

/// The target of one group, ready for each of its surfaces.
pub(super) struct Aims<'a> {
    target: &'a Target,
    limit_pct: f64,
    /// Whether up is compared with up of surfaces that move opposite ways: up and down then stay apart.
    up_with_up: bool,
    sides: Vec<AimedSide>,
}

/// One surface of the group, as measured.
struct AimedSide {
    curve: ResponseCurve,
    command: Command,
    /// −1 where its stick is the opposite of the reference's.
    across: f64,
    /// +1 where it goes up with its own stick.
    sense: f64,
    /// Travel of its own stick that was measured.
    travel_pct: [f64; 2],
}

impl AimedSide {
    fn new(
        responses: &Responses,
        radio: &Radio,
        (name, across): (&str, f64),
    ) -> Result<Self, MatchingError> {
        let command = Command::new(radio, &command::active(radio, name)?);
        let visits = Visits::collect(responses, name, |stick| command.servo_pct(stick))?;
        let travel_pct = visits.span_pct();
        let curve = ResponseCurve::fit(visits)?;
        let [low, high] = travel_pct.map(|stick| curve.value_deg(command.servo_pct(stick)));
        Ok(Self {
            curve,
            command,
            across,
            sense: (high - low).signum(),
            travel_pct,
        })
    }

    /// Deflection from neutral as found, in the sense in which it rises with the reference's stick, deg.
    fn rising_deg(&self, reference_stick_pct: f64) -> f64 {
        let at = |stick: f64| self.curve.value_deg(self.command.servo_pct(stick));
        self.across * self.sense * (at(self.across * reference_stick_pct) - at(0.0))
    }

    /// Ends of its travel by the reference's stick.
    fn ends_pct(&self) -> [f64; 2] {
        self.travel_pct.map(|stick| self.across * stick)
    }
}

impl<'a> Aims<'a> {
    /// Reads all surfaces of the group.
    pub fn new(
        responses: &Responses,
        group: &'a MatchGroup,
        radio: &Radio,
    ) -> Result<Self, MatchingError> {
        let up_with_up =
            group.motion == MatchMotion::Opposite && group.compare == Compare::UpWithUp;
        let across = if up_with_up { -1.0 } else { 1.0 };
        let followers = group.followers.iter().map(|name| (name.as_str(), across));
        let sides = std::iter::once((group.reference.as_str(), 1.0))
            .chain(followers)
            .map(|named| AimedSide::new(responses, radio, named))
            .collect::<Result<_, _>>()?;
        Ok(Self {
            target: &group.target,
            limit_pct: radio.limit_pct,
            up_with_up,
            sides,
        })
    }

    /// The responses with the target of one surface added under its name.
    pub fn responses_for(&self, responses: &Responses, side: usize) -> Responses {
        let own = &self.sides[side];
        let mut sticks: Vec<f64> = own.curve.visits().stick_pct.clone();
        let [first, last] = own.travel_pct;
        let count = ((last - first) / SPACING_PCT).ceil().max(1.0);
        sticks.extend((0..=count as usize).map(|i| first + (last - first) * i as f64 / count));
        sticks.push(0.0);
        let sticks = stick::distinct_pct(sticks.into_iter());
        // Both approaches say the same, so that the target has no play.
        let stations: Vec<StationDeflection> = sticks
            .iter()
            .flat_map(|&stick| {
                [Approach::Rising, Approach::Falling].map(|approach| (stick, approach))
            })
            .enumerate()
            .map(|(hold, (stick_pct, approach))| {
                let rising_deg = self.rising_deg(own, own.across * stick_pct);
                let target_deg = own.across * own.sense * rising_deg;
                station(hold, (stick_pct, approach), target_deg)
            })
            .collect();
        let (known, added) = (responses.covariance_deg2.nrows(), stations.len());
        let mut with_target = responses.clone();
        with_target.covariance_deg2 = DMatrix::zeros(known + added, known + added);
        with_target
            .covariance_deg2
            .view_mut((0, 0), (known, known))
            .copy_from(&responses.covariance_deg2);
        if let Some(doubt_deg2) = self.doubt_deg2(side, &stations) {
            with_target
                .covariance_deg2
                .view_mut((known, known), (added, added))
                .copy_from(&doubt_deg2);
        }
        with_target.surfaces.push(Response {
            surface: self.target.name().into(),
            stations,
            health: Health::default(),
        });
        with_target
    }

    /// Whether a surface is its own target: the smaller side over its whole travel.
    pub fn is_own(&self, side: usize) -> bool {
        let own = &self.sides[side];
        let [first, last] = own.ends_pct();
        let count = ((last - first).abs() / SPACING_PCT).ceil().max(1.0) as usize;
        let share = |i: usize| i as f64 / count as f64;
        *self.target == Target::Smaller
            && (0..=count)
                .map(|i| first + (last - first) * share(i))
                .all(|stick| self.smallest_deg(stick) == own.rising_deg(stick))
    }

    /// Covariance of a target that is taken from the measurement: about that of the other side.
    fn doubt_deg2(&self, side: usize, stations: &[StationDeflection]) -> Option<DMatrix<f64>> {
        match self.target {
            Target::Throws { .. } => return None,
            Target::Reference | Target::Smaller | Target::Straight => {}
        }
        let others = self.sides.iter().enumerate();
        let (_, other) = others.rev().find(|(other, _)| *other != side)?;
        let terms = |stick_pct: f64| other.curve.terms(other.command.servo_pct(stick_pct));
        let rows: Vec<_> = stations
            .iter()
            .map(|station| {
                let across = other.across * self.sides[side].across;
                (terms(across * station.stick_pct) - terms(0.0)).transpose()
            })
            .collect();
        let rows = DMatrix::from_rows(&rows);
        Some(&rows * other.curve.covariance_deg2() * rows.transpose())
    }

    /// The target at the reference's stick position, in the sense in which all rise with it, deg.
    fn rising_deg(&self, own: &AimedSide, stick_pct: f64) -> f64 {
        // Beyond the radio's limit the servo gets no more.
        let stick_pct = stick_pct.clamp(-self.limit_pct, self.limit_pct);
        match self.target {
            Target::Reference | Target::Smaller => self.smallest_deg(stick_pct),
            Target::Straight => self.steepest_common_deg_per_pct(stick_pct) * stick_pct,
            Target::Throws { up_deg, down_deg } => {
                let [ahead_deg, behind_deg] = if own.across * own.sense > 0.0 {
                    [up_deg, down_deg]
                } else {
                    [down_deg, up_deg]
                };
                // The parabola through both ends and neutral: no kink at neutral.
                let share = stick_pct / FULL_PCT;
                let (mean, bend) = (
                    0.5 * (ahead_deg + behind_deg),
                    0.5 * (ahead_deg - behind_deg),
                );
                mean * share + bend * share * share
            }
        }
    }

    /// The smallest of all sides' deflections at a stick position, with its sign, deg.
    fn smallest_deg(&self, stick_pct: f64) -> f64 {
        self.sides
            .iter()
            .map(|side| side.rising_deg(stick_pct))
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0)
    }

    /// The steepest straight line that every side reaches at both ends; where up is compared with up,
    /// at the end on the side of a stick position, so that a differential stays.
    fn steepest_common_deg_per_pct(&self, stick_pct: f64) -> f64 {
        self.sides
            .iter()
            .flat_map(|side| {
                side.ends_pct()
                    .into_iter()
                    .filter(|end| end.abs() > SPACING_PCT)
                    .filter(|end| !self.up_with_up || end * stick_pct >= 0.0)
                    .map(|end| side.rising_deg(end) / end)
            })
            .fold(f64::INFINITY, f64::min)
    }
}

fn station(hold: usize, at: (f64, Approach), target_deg: f64) -> StationDeflection {
    StationDeflection {
        stick_pct: at.0,
        approach: at.1,
        time_s: [0.0; 2],
        frames: 0,
        deflection_deg: Measured::new(target_deg, 0.0),
        throw_mm: None,
        inclinometer_deg: None,
        hold,
    }
}
