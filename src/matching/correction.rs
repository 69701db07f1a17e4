//! A correction: the numbers to enter for one follower, and their effect.

use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::model_file::{Settings, Target};

use super::cause::Cause;
use super::hand_work::HandWork;
use super::reach::OutOfReach;

/// The numbers of a servo in microseconds of pulse length, counted from the centre.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SettingsUs {
    /// One addition a curve point.
    pub curve_us: Vec<f64>,
    /// Sub-trim.
    pub sub_trim_us: f64,
    /// Travel at −100 and at +100.
    pub end_points_us: [f64; 2],
}

impl SettingsUs {
    /// Percent turned into microseconds.
    pub fn of(settings: &Settings, us_per_pct: f64) -> Self {
        Self {
            curve_us: settings
                .curve_pct
                .iter()
                .map(|added| added * us_per_pct)
                .collect(),
            sub_trim_us: settings.sub_trim_pct * us_per_pct,
            end_points_us: settings.end_points_pct.map(|end| end * us_per_pct),
        }
    }
}

/// A mismatch at a station: follower minus reference, after mirroring for opposite motion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationMismatch {
    /// Stick position.
    pub stick_pct: f64,
    /// Mismatch.
    #[serde(flatten)]
    pub mismatch_deg: Measured,
}

/// The mismatch that will remain after the correction is entered.
///
/// Files of earlier programs have no `least`; their `worst` is a best estimate with `u` about it, and
/// their `rms` a best estimate.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// Largest |mismatch| over the measured travel: at most so much in 95 of 100 cases, degrees.
    pub worst: f64,
    /// Root mean square over the measured travel, likewise.
    pub rms: f64,
    /// Half the width of the interval in which the largest |mismatch| is in 95 of 100 cases, degrees.
    pub u: f64,
    /// Largest |mismatch|: at least so much in 97.5 of 100 cases, degrees.
    #[serde(default)]
    pub least: Option<f64>,
    /// By station.
    pub stations: Vec<StationMismatch>,
}

impl Prediction {
    /// At most so much will be the largest |mismatch|, in 95 of 100 cases or more, degrees.
    pub fn at_most_deg(&self) -> f64 {
        match self.least {
            Some(_) => self.worst,
            None => self.worst + self.u,
        }
    }

    /// At least so much will be the largest |mismatch|, in 97.5 of 100 cases, degrees.
    pub fn at_least_deg(&self) -> f64 {
        self.least.unwrap_or(self.worst - self.u)
    }
}

/// Steps of the work, one after the other; one can stop after any.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Nothing new entered.
    AsFound,
    /// Sub-trim, where a level zero says how the neutrals compare.
    SubTrim,
    /// End points.
    EndPoints,
    /// Output curve, with those end points.
    Curve,
}

/// The mismatch that would remain if one stopped after a stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageGain {
    /// The last stage done.
    pub stage: Stage,
    /// All numbers of the follower's servo then.
    pub settings: Settings,
    /// Largest |mismatch| over the measured travel then: at most so much in 95 of 100 cases, degrees.
    pub worst_deg: f64,
    /// Root mean square over the measured travel then, likewise.
    pub rms_deg: f64,
    /// Only in files of earlier programs, whose `worst_deg` is a best estimate: its expanded
    /// uncertainty (k = 2), degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_deg: Option<f64>,
}

impl StageGain {
    /// At most so much is the largest |mismatch| then, degrees.
    pub fn at_most_deg(&self) -> f64 {
        self.worst_deg + self.u_deg.unwrap_or_default()
    }
}

/// The sides exchanged: numbers for the reference, with the follower left alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Exchanged {
    /// All numbers of the reference's servo.
    pub settings: Settings,
    /// Largest |mismatch| then: at most so much in 95 of 100 cases, degrees.
    pub worst_deg: f64,
    /// Root mean square then, likewise.
    pub rms_deg: f64,
}

/// What the set of numbers that comes first leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leaves<'a> {
    /// Largest |mismatch| over the measured travel: at most so much in 95 of 100 cases, degrees.
    pub at_most_deg: f64,
    /// Root mean square, likewise, where it is known.
    pub rms_deg: Option<f64>,
    /// Predicted mismatch by station; empty where it is not known.
    pub stations: &'a [StationMismatch],
}

/// The numbers to enter for one follower, and their effect.
///
/// It is kept in `measurement.json` under the names in the `rename`s.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Surface that is left alone, or its substitute from [`Target::name`].
    pub reference: String,
    /// Surface whose servo gets the numbers.
    pub follower: String,
    /// The target of the adjustment.
    #[serde(default)]
    pub target: Target,
    /// Mismatch as found, by the reference's stick, both directions of approach averaged. Where up is
    /// compared with up, the follower's stick is the opposite one.
    #[serde(rename = "mismatch_deg")]
    pub found_deg: Vec<StationMismatch>,
    /// All numbers of the follower's servo, those already active included.
    #[serde(rename = "correction")]
    pub settings: Settings,
    /// The same numbers in microseconds, where the radio counts in them.
    #[serde(rename = "correction_us", default)]
    pub settings_us: Option<SettingsUs>,
    /// Mismatch that will remain.
    pub predicted_deg: Prediction,
    /// Travel on which both sides were measured, by the reference's stick; nothing is promised beyond.
    #[serde(default)]
    pub measured_pct: Option<[f64; 2]>,
    /// Mismatch that each stage of the work would leave; each continues from the one before.
    #[serde(default)]
    pub stages: Vec<StageGain>,
    /// Largest |mismatch| as found over the whole travel, degrees.
    #[serde(default)]
    pub found_worst_deg: Option<Measured>,
    /// Largest |mismatch| that was accepted beforehand, degrees.
    #[serde(default)]
    pub tolerance_deg: Option<f64>,
    /// The follower's neutral above the reference's as found, degrees, where a level zero says it;
    /// mismatches then count from the level position. `None`: each side counts from its own neutral.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub neutral_deg: Option<Measured>,
    /// Without a level zero: by how much the largest |mismatch| can grow, with these numbers entered,
    /// for each degree by which sub-trim is later changed to level the neutrals.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub levelling_deg_per_deg: Option<f64>,
    /// Half the play of both sides added, degrees: so far apart may they rest whatever is entered.
    #[serde(default)]
    pub play_floor_deg: Option<Measured>,
    /// Ends that the follower cannot reach.
    #[serde(default)]
    pub out_of_reach: Vec<OutOfReach>,
    /// Numbers for the reference instead, where the follower cannot reach it but it can
    /// reach the follower.
    #[serde(default)]
    pub exchanged: Option<Exchanged>,
    /// Why the sides differ; `None` where it was not asked.
    #[serde(default)]
    pub cause: Option<Cause>,
    /// Work by hand that should come before any number.
    #[serde(default)]
    pub hand_work: Option<HandWork>,
    /// How much less any other curve points in the radio's steps could leave at most, degrees, the
    /// end points as they are; 0 where none leave clearly less, `None` where it was not worked out.
    #[serde(default)]
    pub optimality_gap_deg: Option<f64>,
}

impl Correction {
    /// The mismatches as found, at the stations and the largest between them, where it is known.
    pub fn found_mismatches_deg(&self) -> impl Iterator<Item = Measured> {
        let stations = self.found_deg.iter().map(|station| station.mismatch_deg);
        stations.chain(self.found_worst_deg)
    }

    /// The correction of a surface that is its own target: no mismatch, without any uncertainty, and
    /// nothing to enter. How well its response is known concerns the other side only.
    pub(super) fn at_its_target(mut self) -> Self {
        let none = Measured::new(0.0, 0.0);
        let predicted = &mut self.predicted_deg.stations;
        for station in self.found_deg.iter_mut().chain(predicted) {
            station.mismatch_deg = none;
        }
        self.found_worst_deg = Some(none);
        self.predicted_deg = Prediction {
            least: Some(0.0),
            stations: std::mem::take(&mut self.predicted_deg.stations),
            ..Prediction::default()
        };
        self.stages.truncate(1);
        if let Some(found) = self.stages.first_mut() {
            (found.worst_deg, found.rms_deg) = (0.0, 0.0);
            self.settings = found.settings.clone();
        }
        self.out_of_reach.clear();
        self.play_floor_deg = None;
        self
    }

    /// Whether the surface is its own target: the smaller side over the whole travel.
    pub fn is_its_own_target(&self) -> bool {
        let is_none = |mismatch: Measured| mismatch.value == 0.0 && mismatch.sd == 0.0;
        self.target == Target::Smaller && self.found_worst_deg.is_some_and(is_none)
    }

    /// The ends at which the common travel comes first: the follower falls short of a surface whose
    /// travel can be reduced. Empty where the follower's numbers alone come first.
    pub fn common_travel(&self) -> &[OutOfReach] {
        if self.target.is_reference() {
            &self.out_of_reach
        } else {
            &[]
        }
    }

    /// What the set of numbers that comes first leaves: the common travel, or the follower's numbers.
    pub fn leaves(&self) -> Leaves<'_> {
        match self.common_travel().last() {
            Some(end) => Leaves {
                at_most_deg: end.common_worst_deg,
                rms_deg: end.common_rms_deg,
                stations: &end.common_stations,
            },
            None => Leaves {
                at_most_deg: self.predicted_deg.at_most_deg(),
                rms_deg: Some(self.predicted_deg.rms),
                stations: &self.predicted_deg.stations,
            },
        }
    }
}
