//! A reference and its follower over the common travel, and how far they are apart.

use nalgebra::{DMatrix, DVector};

use crate::measured::Measured;
use crate::model_file::{Radio, Settings};
use crate::response::Responses;

use super::command::{self, Command};
use super::constants::GRID_PCT;
use super::curve::ResponseCurve;
use super::curve_table::CurveTable;
use super::error::MatchingError;
use super::pair_covariance::PairCovariance;
use super::pairing::{Names, Pairing};
use super::places::Place;
use super::visits::Visits;

/// Reference and follower of one match, both by the input of the follower's numbers.
#[derive(Debug, Clone)]
pub(super) struct Pair {
    pub reference: ResponseCurve,
    pub follower: ResponseCurve,
    /// Active numbers of both servos.
    pub reference_active: Settings,
    pub follower_active: Settings,
    /// Neutral of both servos, %.
    zero_pct: [f64; 2],
    /// The follower's neutral above the reference's, if a level zero gives it: deflections then count
    /// from the neutral of the clip instead of the curve's.
    neutral_deg: Option<Measured>,
    /// Multiplies both so that they rise with the follower's command.
    sense: f64,
    /// Factor from a position to the input of the reference's numbers.
    reference_sign: f64,
    covariance: PairCovariance,
    /// The follower's deflection in the rising sense, tabulated over its measured range.
    table: CurveTable,
    radio: Radio,
    /// Travel on which both were measured.
    pub travel_pct: [f64; 2],
}

impl Pair {
    /// Fits both responses, as the pairing gives them.
    pub fn new(
        responses: &Responses,
        names: Names<'_>,
        pairing: Pairing,
        radio: &Radio,
    ) -> Result<Self, MatchingError> {
        let reference_sign = pairing.reference_sign();
        let reference_active = command::active(radio, names.reference)?;
        let follower_active = command::active(radio, names.follower)?;
        let reference_command =
            Command::new(radio, &reference_active).with_input_sign(reference_sign);
        let follower_command = Command::new(radio, &follower_active);
        let visits = |name: &str, command: &Command| {
            Visits::collect(responses, name, |at| command.servo_pct(at))
        };
        let reference = match visits(names.reference, &reference_command)? {
            target if pairing.is_target() => ResponseCurve::fit_target(target)?,
            measured => ResponseCurve::fit(measured)?,
        };
        let follower = ResponseCurve::fit(visits(names.follower, &follower_command)?)?;
        let sense = common_sense(&reference, &follower, pairing, names)?;
        let travel_pct = common_travel_pct(&reference, &follower, names)?;
        let zero_pct =
            [&reference_command, &follower_command].map(|command| command.servo_pct(0.0));
        let neutral_deg = pairing.neutral_deg();
        let zero_deg = match neutral_deg {
            Some(_) => 0.0,
            None => follower.value_deg(zero_pct[1]),
        };
        Ok(Self {
            zero_pct,
            table: CurveTable::new(follower.range_pct(), |command_pct| {
                sense * (follower.value_deg(command_pct) - zero_deg)
            }),
            covariance: PairCovariance::new(responses, &reference, &follower, neutral_deg),
            neutral_deg,
            reference,
            follower,
            reference_active,
            follower_active,
            sense,
            reference_sign,
            radio: radio.clone(),
            travel_pct,
        })
    }

    /// The radio of both servos.
    pub fn radio(&self) -> &Radio {
        &self.radio
    }

    /// The names of reference and follower.
    pub fn names(&self) -> [&str; 2] {
        [&self.reference, &self.follower].map(|side| side.visits().surface.as_str())
    }

    /// The reference's way from a position to its servo.
    pub fn reference_command(&self, settings: &Settings) -> Command {
        Command::new(&self.radio, settings).with_input_sign(self.reference_sign)
    }

    /// Factor from a position to the input of the reference's numbers.
    pub fn reference_sign(&self) -> f64 {
        self.reference_sign
    }

    /// Least and largest command that may be proposed for the follower: measured, and within the
    /// radio's limit.
    pub fn command_range_pct(&self) -> [f64; 2] {
        let [low, high] = self.follower.range_pct();
        let limit = self.radio.limit_pct;
        [low.max(-limit), high.min(limit)]
    }

    /// The follower's neutral above the reference's, if a level zero gives it.
    pub fn neutral_deg(&self) -> Option<Measured> {
        self.neutral_deg
    }

    /// Command of the follower's servo at stick 0 as found, %.
    pub fn follower_zero_pct(&self) -> f64 {
        self.zero_pct[1]
    }

    /// Follower's deflection against its neutral in the sense in which it rises with its command.
    pub fn follower_deg(&self, command_pct: f64) -> f64 {
        self.table.value(command_pct)
    }

    /// The reference's deflection in the same sense, for its servo's command; with a level zero
    /// from the follower's neutral.
    pub fn reference_deg(&self, command_pct: f64) -> f64 {
        let zero = match self.neutral_deg {
            Some(neutral_deg) => neutral_deg.value,
            None => self.reference.value_deg(self.zero_pct[0]),
        };
        self.sense * (self.reference.value_deg(command_pct) - zero)
    }

    /// Factors of the reference's and the follower's deflections by which both rise with the
    /// follower's command.
    pub fn sense(&self) -> f64 {
        self.sense
    }

    /// Covariance of the visits that count in the rising sense, the reference's first, with a
    /// scatter of each added, deg².
    pub fn used_covariance_deg2(&self, scatter_deg: f64) -> DMatrix<f64> {
        let [reference, follower] = [&self.reference, &self.follower];
        self.covariance
            .used_visits_deg2(reference, follower, scatter_deg)
    }

    /// Mismatch as found at every place if the follower's response were shifted, deg in the rising
    /// sense; `shift_deg` gives the shift in that sense at a command.
    pub fn mismatches_with_shift_deg(
        &self,
        places: &[Place],
        shift_deg: impl Fn(f64) -> Option<f64>,
    ) -> Option<Vec<f64>> {
        let command = Command::new(&self.radio, &self.follower_active);
        let neutral = shift_deg(self.zero_pct[1])?;
        let at = |place: &Place| {
            let servo = command.servo_pct(place.stick_pct);
            let shifted = self.follower_deg(servo) + shift_deg(servo)? - neutral;
            Some(shifted - place.target_deg)
        };
        places.iter().map(at).collect()
    }

    /// Follower minus reference, deg, from a difference in the rising sense.
    pub fn signed(&self, difference_deg: f64) -> f64 {
        self.sense * difference_deg
    }

    /// Joint covariance of the unknowns of both curves, those of [`Self::terms`], deg².
    pub fn joint_deg2(&self) -> &DMatrix<f64> {
        self.covariance.unknowns_deg2()
    }

    /// Sensitivity of the mismatch in the rising sense to the unknowns of both curves for given
    /// commands of reference and follower, to first order.
    pub fn terms(&self, reference_pct: f64, follower_pct: f64) -> DVector<f64> {
        let from_zero = |curve: &ResponseCurve, command_pct: f64, zero_pct: f64| {
            let terms = curve.terms(command_pct);
            let zero = match self.neutral_deg {
                Some(_) => terms.clone() * 0.0,
                None => curve.terms(zero_pct),
            };
            self.sense * (terms - zero)
        };
        let reference = from_zero(&self.reference, reference_pct, self.zero_pct[0]);
        let follower = from_zero(&self.follower, follower_pct, self.zero_pct[1]);
        let all = reference
            .iter()
            .map(|term| -term)
            .chain(follower.iter().copied())
            .chain(self.neutral_deg.map(|_| self.sense));
        DVector::from_iterator(self.joint_deg2().nrows(), all)
    }

    /// Standard deviation of the mismatch for given commands of reference and follower, deg.
    pub fn sd_deg(&self, reference_pct: f64, follower_pct: f64) -> f64 {
        let terms = self.terms(reference_pct, follower_pct);
        let variance = (self.joint_deg2() * &terms).dot(&terms);
        variance.max(0.0).sqrt()
    }

    /// Mismatch at a position for the follower's numbers, signed, deg.
    pub fn mismatch_deg(&self, settings: &Settings, stick_pct: f64) -> Measured {
        self.mismatch_with_deg([&self.reference_active, settings], stick_pct)
    }

    /// Mismatch at a position for numbers of the reference and of the follower, signed, deg.
    pub fn mismatch_with_deg(
        &self,
        [reference, follower]: [&Settings; 2],
        stick_pct: f64,
    ) -> Measured {
        let reference_pct = self.reference_command(reference).servo_pct(stick_pct);
        let follower_pct = Command::new(&self.radio, follower).servo_pct(stick_pct);
        let difference = self.follower_deg(follower_pct) - self.reference_deg(reference_pct);
        Measured::new(
            self.signed(difference),
            self.sd_deg(reference_pct, follower_pct),
        )
    }
}

/// +1 where a surface rises with its servo's command.
fn rising_sense(curve: &ResponseCurve) -> f64 {
    let [low, high] = curve.range_pct();
    (curve.value_deg(high) - curve.value_deg(low)).signum()
}

/// The rising sense of both sides, if they move together as declared.
fn common_sense(
    reference: &ResponseCurve,
    follower: &ResponseCurve,
    pairing: Pairing,
    names: Names<'_>,
) -> Result<f64, MatchingError> {
    let sense = rising_sense(follower);
    // The reference's command may fall as the follower's rises.
    if sense != pairing.reference_sign() * rising_sense(reference) {
        return Err(MatchingError::WrongWay {
            reference: names.reference.into(),
            follower: names.follower.into(),
            declared: pairing.declared_motion(),
        });
    }
    Ok(sense)
}

/// Travel on which both sides have stations that count.
fn common_travel_pct(
    reference: &ResponseCurve,
    follower: &ResponseCurve,
    names: Names<'_>,
) -> Result<[f64; 2], MatchingError> {
    let (a, b) = (reference.visits().span_pct(), follower.visits().span_pct());
    let travel_pct = [a[0].max(b[0]), a[1].min(b[1])];
    if travel_pct[1] - travel_pct[0] < GRID_PCT {
        return Err(MatchingError::NoCommonTravel {
            reference: names.reference.into(),
            follower: names.follower.into(),
        });
    }
    Ok(travel_pct)
}
