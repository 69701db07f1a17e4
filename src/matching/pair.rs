//! A reference and its follower over the common travel, and how far they are apart.

use nalgebra::{DMatrix, DVector};

use crate::conventions::COVERAGE_FACTOR;
use crate::measured::Measured;
use crate::model_file::{MatchMotion, Radio, Settings};
use crate::response::Responses;

use super::MatchingError;
use super::command::{self, Command};
use super::curve::ResponseCurve;
use super::visits::Visits;

/// Distance of the places at which the sides are compared, % of stick.
const GRID_PCT: f64 = 1.0;
/// Sticks nearer than this are one place, %.
const SAME_STICK_PCT: f64 = 1e-6;

/// A place of the common travel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Stick position.
    pub stick_pct: f64,
    /// Where the follower is to be, deg against its neutral, counted so that it rises with its
    /// servo's command.
    pub target_deg: f64,
    /// Expanded uncertainty of the mismatch there, deg.
    pub u_deg: f64,
    /// Whether the follower reaches the target, within the uncertainty or half a step.
    pub reachable: bool,
}

/// Reference and follower of one match.
#[derive(Debug, Clone)]
pub(super) struct Pair {
    pub reference: ResponseCurve,
    pub follower: ResponseCurve,
    /// What is active at both servos.
    pub reference_active: Settings,
    pub follower_active: Settings,
    /// Neutral of both servos, %.
    zero_pct: [f64; 2],
    /// Multiplies the follower's deflection so that it compares with the reference's.
    mirror: f64,
    /// Multiplies both so that the follower rises with its command.
    sense: f64,
    /// Covariance between the follower's (rows) and the reference's visits, deg².
    cross_deg2: DMatrix<f64>,
    /// The follower's deflection in the rising sense, tabulated over its measured range.
    table: Table,
    radio: Radio,
    /// Stick travel on which both were measured.
    pub travel_pct: [f64; 2],
}

impl Pair {
    /// Fits both responses.
    pub fn new(
        responses: &Responses,
        names: (&str, &str),
        motion: MatchMotion,
        radio: &Radio,
    ) -> Result<Self, MatchingError> {
        let (reference_name, follower_name) = names;
        let reference_active = command::active(radio, reference_name)?;
        let follower_active = command::active(radio, follower_name)?;
        let reference_command = Command::new(radio, &reference_active);
        let follower_command = Command::new(radio, &follower_active);
        let fit = |name: &str, command: &Command| {
            Visits::collect(responses, name, |stick| command.servo_pct(stick))
                .and_then(ResponseCurve::fit)
        };
        let reference = fit(reference_name, &reference_command)?;
        let follower = fit(follower_name, &follower_command)?;
        let mirror = match motion {
            MatchMotion::Same => 1.0,
            MatchMotion::Opposite => -1.0,
        };
        let sense_of = |curve: &ResponseCurve| {
            let [low, high] = curve.range_pct();
            (curve.value_deg(high) - curve.value_deg(low)).signum()
        };
        let sense = mirror * sense_of(&follower);
        if sense != sense_of(&reference) {
            return Err(MatchingError::WrongWay {
                reference: reference_name.into(),
                follower: follower_name.into(),
                declared: motion,
            });
        }
        let rows = (follower.visits().first_row, follower.visits().side.len());
        let columns = (reference.visits().first_row, reference.visits().side.len());
        let travel_pct = common_travel_pct(&reference, &follower);
        if travel_pct[1] - travel_pct[0] < GRID_PCT {
            return Err(MatchingError::NoCommonTravel {
                reference: reference_name.into(),
                follower: follower_name.into(),
            });
        }
        let zero_pct = [
            reference_command.servo_pct(0.0),
            follower_command.servo_pct(0.0),
        ];
        let rising = mirror * sense;
        let zero_deg = follower.value_deg(zero_pct[1]);
        Ok(Self {
            zero_pct,
            table: Table::new(follower.range_pct(), |command_pct| {
                rising * (follower.value_deg(command_pct) - zero_deg)
            }),
            cross_deg2: responses
                .covariance_deg2
                .view((rows.0, columns.0), (rows.1, columns.1))
                .into_owned(),
            reference,
            follower,
            reference_active,
            follower_active,
            mirror,
            sense,
            radio: radio.clone(),
            travel_pct,
        })
    }

    /// The radio that both servos hang on.
    pub fn radio(&self) -> &Radio {
        &self.radio
    }

    /// Least and largest command that may be proposed for the follower: measured, and within the
    /// radio's limit.
    pub fn command_range_pct(&self) -> [f64; 2] {
        let [low, high] = self.follower.range_pct();
        let limit = self.radio.limit_pct;
        [low.max(-limit), high.min(limit)]
    }

    /// Follower's deflection against its neutral in the sense in which it rises with its command.
    pub fn follower_deg(&self, command_pct: f64) -> f64 {
        self.table.value(command_pct)
    }

    /// The reference's deflection in the same sense, for what reaches its servo.
    pub fn reference_deg(&self, command_pct: f64) -> f64 {
        let zero = self.reference.value_deg(self.zero_pct[0]);
        self.sense * (self.reference.value_deg(command_pct) - zero)
    }

    /// What multiplies the reference's and the follower's deflections so that both rise.
    pub fn senses(&self) -> [f64; 2] {
        [self.sense, self.mirror * self.sense]
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
                (Some(row), None) => {
                    self.mirror * self.cross_deg2[(follower.used[row], reference.used[column])]
                }
                (None, Some(column)) => {
                    self.mirror * self.cross_deg2[(follower.used[column], reference.used[row])]
                }
            }
        })
    }

    /// Mismatch as found at every place if the follower's response were shifted, deg in the rising
    /// sense; `shift_deg` tells the shift in that sense at a command.
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

    /// Follower minus reference, after mirroring, deg, from a difference in the rising sense.
    pub fn signed(&self, difference_deg: f64) -> f64 {
        self.sense * difference_deg
    }

    /// Standard deviation of the mismatch for given commands of reference and follower, deg.
    pub fn sd_deg(&self, reference_pct: f64, follower_pct: f64) -> f64 {
        let (reference, reference_own) = self.reference.doubt(reference_pct, self.zero_pct[0]);
        let (follower, follower_own) = self.follower.doubt(follower_pct, self.zero_pct[1]);
        let quadratic = |curve: &ResponseCurve, weights: &DVector<f64>| {
            (&curve.visits().covariance_deg2 * weights).dot(weights)
        };
        let shared = (&self.cross_deg2 * &reference).dot(&follower);
        let variance = quadratic(&self.reference, &reference)
            + quadratic(&self.follower, &follower)
            - 2.0 * self.mirror * shared
            + reference_own
            + follower_own;
        variance.max(0.0).sqrt()
    }

    /// Mismatch at a stick position for the follower's numbers, signed, deg.
    pub fn mismatch_deg(&self, settings: &Settings, stick_pct: f64) -> Measured {
        let reference_pct = Command::new(&self.radio, &self.reference_active).servo_pct(stick_pct);
        let follower_pct = Command::new(&self.radio, settings).servo_pct(stick_pct);
        let difference = self.follower_deg(follower_pct) - self.reference_deg(reference_pct);
        Measured::new(
            self.signed(difference),
            self.sd_deg(reference_pct, follower_pct),
        )
    }

    /// The places at which the sides are compared, with the reference's numbers as given.
    pub fn places(&self, reference_settings: &Settings) -> Vec<Place> {
        let command = Command::new(&self.radio, reference_settings);
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
                    target_deg,
                    u_deg,
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
        let mut grid: Vec<f64> = even
            .chain(points)
            .chain(stations)
            .chain([0.0])
            .filter(|stick| (first..=last).contains(stick))
            .collect();
        grid.sort_by(f64::total_cmp);
        grid.dedup_by(|a, b| (*a - *b).abs() < SAME_STICK_PCT);
        grid
    }

    /// Stick positions at which both sides were measured, rising.
    pub fn stations_pct(&self) -> Vec<f64> {
        let follower = &self.follower.visits().stick_pct;
        let mut sticks: Vec<f64> = self
            .reference
            .visits()
            .stick_pct
            .iter()
            .copied()
            .filter(|stick| {
                follower
                    .iter()
                    .any(|other| (other - stick).abs() < SAME_STICK_PCT)
            })
            .collect();
        sticks.sort_by(f64::total_cmp);
        sticks.dedup_by(|a, b| (*a - *b).abs() < SAME_STICK_PCT);
        sticks
    }
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

/// Stick travel on which both sides have stations.
fn common_travel_pct(reference: &ResponseCurve, follower: &ResponseCurve) -> [f64; 2] {
    let ends = |curve: &ResponseCurve| {
        let sticks = &curve.visits().stick_pct;
        let least = sticks.iter().copied().fold(f64::INFINITY, f64::min);
        let most = sticks.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        [least, most]
    };
    let (a, b) = (ends(reference), ends(follower));
    [a[0].max(b[0]), a[1].min(b[1])]
}
