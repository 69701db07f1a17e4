//! A reference and its follower over the common travel, and how far they are apart.

use super::constants::GRID_PCT;
use nalgebra::{DMatrix, DVector};

use crate::conventions::COVERAGE_FACTOR;
use crate::measured::Measured;
use crate::model_file::{Radio, Settings};
use crate::response::Responses;
use crate::stick;

use super::command::{self, Command};
use super::curve::ResponseCurve;
use super::error::MatchingError;
use super::pairing::Pairing;
use super::visits::Visits;

/// A place of the common travel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Input of the follower's numbers: its stick, where no mix acts before them.
    pub stick_pct: f64,
    /// Command of the reference's servo there.
    pub reference_pct: f64,
    /// Where the follower is to be, deg against its neutral, counted so that it rises with its
    /// servo's command.
    pub target_deg: f64,
    /// Whether the follower reaches the target, within the uncertainty or half a step.
    pub reachable: bool,
}

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
    /// The follower's neutral above the reference's, where a level zero says it: deflections then
    /// count from the neutral of the clip instead of the curve's.
    neutral_deg: Option<Measured>,
    /// Multiplies both so that they rise with the follower's command.
    sense: f64,
    /// Factor from a position to the input of the reference's numbers.
    reference_sign: f64,
    /// Covariance between the follower's (rows) and the reference's visits, deg².
    cross_deg2: DMatrix<f64>,
    /// Joint covariance of the unknowns of both curves, the reference's first, deg².
    joint_deg2: DMatrix<f64>,
    /// The follower's deflection in the rising sense, tabulated over its measured range.
    table: Table,
    radio: Radio,
    /// Travel on which both were measured.
    pub travel_pct: [f64; 2],
}

impl Pair {
    /// Fits both responses, as the pairing gives them.
    pub fn new(
        responses: &Responses,
        names: (&str, &str),
        pairing: Pairing,
        radio: &Radio,
    ) -> Result<Self, MatchingError> {
        let reference_sign = pairing.reference_sign();
        let reference_active = command::active(radio, names.0)?;
        let follower_active = command::active(radio, names.1)?;
        let reference_command =
            Command::new(radio, &reference_active).with_input_sign(reference_sign);
        let follower_command = Command::new(radio, &follower_active);
        let visits = |name: &str, command: &Command| {
            Visits::collect(responses, name, |at| command.servo_pct(at))
        };
        let reference = match visits(names.0, &reference_command)? {
            target if pairing.is_target() => ResponseCurve::fit_target(target)?,
            measured => ResponseCurve::fit(measured)?,
        };
        let follower = ResponseCurve::fit(visits(names.1, &follower_command)?)?;
        let sense = rising_sense(&follower);
        // The reference's command may fall as the follower's rises.
        if sense != reference_sign * rising_sense(&reference) {
            return Err(MatchingError::WrongWay {
                reference: names.0.into(),
                follower: names.1.into(),
                declared: pairing.declared_motion(),
            });
        }
        let travel_pct = common_travel_pct(&reference, &follower);
        if travel_pct[1] - travel_pct[0] < GRID_PCT {
            return Err(MatchingError::NoCommonTravel {
                reference: names.0.into(),
                follower: names.1.into(),
            });
        }
        let zero_pct = [
            reference_command.servo_pct(0.0),
            follower_command.servo_pct(0.0),
        ];
        let neutral_deg = pairing.neutral_deg();
        let zero_deg = match neutral_deg {
            Some(_) => 0.0,
            None => follower.value_deg(zero_pct[1]),
        };
        let cross_deg2 = cross_deg2(responses, &reference, &follower);
        Ok(Self {
            zero_pct,
            table: Table::new(follower.range_pct(), |command_pct| {
                sense * (follower.value_deg(command_pct) - zero_deg)
            }),
            joint_deg2: with_neutral(joint_deg2(&reference, &follower, &cross_deg2), neutral_deg),
            neutral_deg,
            cross_deg2,
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

    /// The radio that both servos hang on.
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

    /// The follower's neutral above the reference's, where a level zero says it.
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
        let (reference, follower) = (self.reference.visits(), self.follower.visits());
        let own = [
            reference.used_covariance_deg2(self.reference.scatter_deg().hypot(scatter_deg)),
            follower.used_covariance_deg2(self.follower.scatter_deg().hypot(scatter_deg)),
        ];
        let (first, second) = (reference.used.len(), follower.used.len());
        DMatrix::from_fn(first + second, first + second, |row, column| {
            match (row.checked_sub(first), column.checked_sub(first)) {
                (None, None) => own[0][(row, column)],
                (Some(row), Some(column)) => own[1][(row, column)],
                (Some(row), None) => self.cross_deg2[(follower.used[row], reference.used[column])],
                (None, Some(column)) => {
                    self.cross_deg2[(follower.used[column], reference.used[row])]
                }
            }
        })
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
        &self.joint_deg2
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
        DVector::from_iterator(self.joint_deg2.nrows(), all)
    }

    /// Standard deviation of the mismatch for given commands of reference and follower, deg.
    pub fn sd_deg(&self, reference_pct: f64, follower_pct: f64) -> f64 {
        let terms = self.terms(reference_pct, follower_pct);
        let variance = (&self.joint_deg2 * &terms).dot(&terms);
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

    /// The places at which the sides are compared, with the reference's numbers as given.
    pub fn places(&self, reference_settings: &Settings) -> Vec<Place> {
        let command = self.reference_command(reference_settings);
        let [least, most] = self.command_range_pct();
        let reach_deg = [self.follower_deg(least), self.follower_deg(most)];
        let half_step_pct = 0.5 * self.radio.step_pct;
        let half_step_deg = [
            self.follower_deg(least + half_step_pct) - reach_deg[0],
            reach_deg[1] - self.follower_deg(most - half_step_pct),
        ];
        self.grid_pct()
            .into_iter()
            .map(|stick_pct| {
                let reference_pct = command.servo_pct(stick_pct);
                let target_deg = self.reference_deg(reference_pct);
                let ideal_pct = self.ideal_command_pct(target_deg);
                let u_deg = COVERAGE_FACTOR * self.sd_deg(reference_pct, ideal_pct);
                // A shortfall below half a step is lost in the rounding.
                let short_deg = (reach_deg[0] - target_deg - half_step_deg[0].max(u_deg))
                    .max(target_deg - reach_deg[1] - half_step_deg[1].max(u_deg));
                Place {
                    stick_pct,
                    reference_pct,
                    target_deg,
                    reachable: short_deg <= 0.0,
                }
            })
            .collect()
    }

    /// The command at which the follower is nearest to a target, by bisection.
    pub fn ideal_command_pct(&self, target_deg: f64) -> f64 {
        let [mut low, mut high] = self.command_range_pct();
        // 60 halvings of 200 % end below the spacing of doubles.
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.follower_deg(middle) < target_deg {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// Rising stick positions: an even grid, the curve's points, the stations.
    fn grid_pct(&self) -> Vec<f64> {
        let [first, last] = self.travel_pct;
        let count = ((last - first) / GRID_PCT).ceil() as usize;
        let even = (0..=count).map(|i| first + (last - first) * i as f64 / count as f64);
        let points = self.radio.curve_points_pct.iter().flatten().copied();
        let stations = self.stations_pct();
        let grid = even
            .chain(points)
            .chain(stations)
            .chain([0.0])
            .filter(|stick| (first..=last).contains(stick));
        stick::distinct_pct(grid)
    }

    /// Positions at which both sides were measured, rising.
    pub fn stations_pct(&self) -> Vec<f64> {
        let sticks = |side: &ResponseCurve| {
            let visits = side.visits();
            let used = visits.used.iter().map(|&visit| visits.stick_pct[visit]);
            used.collect::<Vec<f64>>()
        };
        let follower = sticks(&self.follower);
        let shared = sticks(&self.reference).into_iter();
        let is_shared = |at: &f64| follower.iter().any(|other| stick::is_same(*other, *at));
        stick::distinct_pct(shared.filter(is_shared))
    }
}

/// +1 where a surface rises with its servo's command.
fn rising_sense(curve: &ResponseCurve) -> f64 {
    let [low, high] = curve.range_pct();
    (curve.value_deg(high) - curve.value_deg(low)).signum()
}

/// Covariance between the follower's (rows) and the reference's visits, deg².
fn cross_deg2(
    responses: &Responses,
    reference: &ResponseCurve,
    follower: &ResponseCurve,
) -> DMatrix<f64> {
    let span = |side: &ResponseCurve| (side.visits().first_row, side.visits().side.len());
    let (rows, columns) = (span(follower), span(reference));
    responses
        .covariance_deg2
        .view((rows.0, columns.0), (rows.1, columns.1))
        .into_owned()
}

/// Joint covariance of the unknowns of both curves, the reference's first, deg².
fn joint_deg2(
    reference: &ResponseCurve,
    follower: &ResponseCurve,
    cross_deg2: &DMatrix<f64>,
) -> DMatrix<f64> {
    let own = [reference.covariance_deg2(), follower.covariance_deg2()];
    let (first, second) = (own[0].nrows(), own[1].nrows());
    let used = cross_deg2
        .select_rows(&follower.visits().used)
        .select_columns(&reference.visits().used);
    let shared = follower.gain() * used * reference.gain().transpose();
    let mut joint = DMatrix::zeros(first + second, first + second);
    joint.view_mut((0, 0), (first, first)).copy_from(&own[0]);
    joint
        .view_mut((first, first), (second, second))
        .copy_from(&own[1]);
    joint
        .view_mut((first, 0), (second, first))
        .copy_from(&shared);
    joint
        .view_mut((0, first), (first, second))
        .copy_from(&shared.transpose());
    joint
}

/// The same with the follower's neutral above the reference's as one more unknown, where it is one.
fn with_neutral(joint_deg2: DMatrix<f64>, neutral_deg: Option<Measured>) -> DMatrix<f64> {
    let Some(neutral_deg) = neutral_deg else {
        return joint_deg2;
    };
    let unknowns = joint_deg2.nrows();
    let mut with = joint_deg2.resize(unknowns + 1, unknowns + 1, 0.0);
    with[(unknowns, unknowns)] = neutral_deg.sd.powi(2);
    with
}

/// A function tabulated so finely that straight lines serve: a millionth of a degree for any
/// linkage. The search looks it up some hundred thousand times.
#[derive(Debug, Clone)]
struct Table {
    first_pct: f64,
    spacing_pct: f64,
    values: Vec<f64>,
}

/// Spacing of the table's entries, % of servo travel.
const TABLE_PCT: f64 = 0.05;

impl Table {
    fn new(range_pct: [f64; 2], function: impl Fn(f64) -> f64) -> Self {
        let width = range_pct[1] - range_pct[0];
        let count = (width / TABLE_PCT).ceil().max(1.0);
        let spacing_pct = width / count;
        Self {
            first_pct: range_pct[0],
            spacing_pct,
            values: (0..=count as usize)
                .map(|i| function(range_pct[0] + i as f64 * spacing_pct))
                .collect(),
        }
    }

    /// Value at a command; beyond the ends that of the end.
    fn value(&self, command_pct: f64) -> f64 {
        let last = self.values.len() - 1;
        let at = ((command_pct - self.first_pct) / self.spacing_pct).clamp(0.0, last as f64);
        let left = (at as usize).min(last - 1);
        self.values[left] + (at - left as f64) * (self.values[left + 1] - self.values[left])
    }
}

/// Travel on which both sides have stations that count.
fn common_travel_pct(reference: &ResponseCurve, follower: &ResponseCurve) -> [f64; 2] {
    let (a, b) = (reference.visits().span_pct(), follower.visits().span_pct());
    [a[0].max(b[0]), a[1].min(b[1])]
}
