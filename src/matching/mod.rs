//! Matching: the numbers that make a follower move like its reference, and what will remain.
//!
//! 1. Each response becomes deflection against what its servo got, in the middle of the play
//!    (`curve`, `series`).
//! 2. Reference and follower are compared over the whole common travel (`pair`).
//! 3. The numbers that leave the least worst mismatch are searched in the radio's own steps:
//!    end points alone (`end_points`), then the output curve on top of them (`chain`).
//! 4. What remains is predicted with its uncertainty, and what cannot be cured is told (`reach`).
//!
//! Where a group has a target of its own instead of a reference, every one of its surfaces is matched
//! to that (`aim`).
//!
//! Neutral of both sides is the zero of their deflections, so sub-trim stays as it is.

mod aim;
mod cause;
mod chain;
mod command;
mod curve;
mod differential;
mod differing;
mod end_points;
mod error;
mod hand_work;
mod isotonic;
mod layers;
mod linkage;
mod pair;
mod pchip;
mod reach;
mod score;
mod series;
mod visits;
mod warning;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::conventions::COVERAGE_FACTOR;
use crate::measured::Measured;
use crate::model_file::{Joins, MatchGroup, MatchMotion, Radio, Settings, Target};
use crate::response::Responses;

pub use cause::{Cause, LinkageDifference, LinkagePart};
pub use error::MatchingError;
pub use hand_work::HandWork;
pub use reach::OutOfReach;
pub use warning::MatchingWarning;

use aim::Aims;
use chain::BestCurve;
use differential::{Differential, turned_radio};
use pair::{Pair, Place};
use score::Score;

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

/// What will remain after the correction is entered.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// Largest |mismatch| over the whole travel, degrees.
    pub worst: f64,
    /// Root mean square over the whole travel, degrees.
    pub rms: f64,
    /// Expanded uncertainty (k = 2) of the worst mismatch, degrees.
    pub u: f64,
    /// By station.
    pub stations: Vec<StationMismatch>,
}

/// What a practitioner does one after the other; one can stop after any.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Nothing new entered.
    AsFound,
    /// Sub-trim. Each side counts from its own neutral, so no sub-trim is ever asked for; the stage
    /// keeps its place in the order of the work.
    SubTrim,
    /// End points.
    EndPoints,
    /// Output curve, on top of those end points.
    Curve,
}

/// What would remain if one stopped after a stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageGain {
    /// The last stage done.
    pub stage: Stage,
    /// All numbers of the follower's servo then.
    pub settings: Settings,
    /// Largest |mismatch| over the whole travel then, degrees.
    pub worst_deg: f64,
    /// Root mean square over the whole travel then, degrees.
    pub rms_deg: f64,
    /// Expanded uncertainty (k = 2) of the largest |mismatch|, degrees; files of earlier programs
    /// do not tell it.
    #[serde(default)]
    pub u_deg: Option<f64>,
}

/// The numbers to enter for one follower, and what they do.
///
/// It is kept in `measurement.json` under the names that stand in the `rename`s.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Surface that is left alone, or what stands for it in [`Target::name`].
    pub reference: String,
    /// Surface whose servo gets the numbers.
    pub follower: String,
    /// What it is adjusted to.
    #[serde(default)]
    pub target: Target,
    /// Mismatch as found, by station (of the follower's stick where up is compared against up), both directions of approach averaged.
    #[serde(rename = "mismatch_deg")]
    pub found_deg: Vec<StationMismatch>,
    /// All numbers of the follower's servo, those already active included.
    #[serde(rename = "correction")]
    pub settings: Settings,
    /// The same numbers in microseconds, where the radio counts in them.
    #[serde(rename = "correction_us", default)]
    pub settings_us: Option<SettingsUs>,
    /// What will remain.
    pub predicted_deg: Prediction,
    /// What each stage of the work would leave.
    #[serde(default)]
    pub stages: Vec<StageGain>,
    /// Largest |mismatch| as found over the whole travel, degrees.
    #[serde(default)]
    pub found_worst_deg: Option<Measured>,
    /// Largest |mismatch| that was accepted beforehand, degrees.
    #[serde(default)]
    pub tolerance_deg: Option<f64>,
    /// Half the play of both sides added, degrees: so far apart may they rest whatever is entered.
    #[serde(default)]
    pub play_floor_deg: Option<Measured>,
    /// Ends that the follower cannot reach.
    #[serde(default)]
    pub out_of_reach: Vec<OutOfReach>,
    /// Why the sides differ; `None` where it was not asked.
    #[serde(default)]
    pub cause: Option<Cause>,
    /// Work by hand that should come before any number.
    #[serde(default)]
    pub hand_work: Option<HandWork>,
    /// How much less any other curve points in the radio's steps could leave at most, degrees, the
    /// end points as they are (any other end points, where there is no curve); 0 where these are
    /// proven to be the best, `None` where it was not worked out.
    #[serde(default)]
    pub optimality_gap_deg: Option<f64>,
}

/// The smallest step of a radio that is not declared, percent, and its limit: what nearly every
/// radio accepts (common practice, no source).
const UNDECLARED_STEP_PCT: f64 = 1.0;
const UNDECLARED_LIMIT_PCT: f64 = 150.0;
/// Mismatches nearer than this read the same on the page, deg.
const READABLE_DEG: f64 = 0.01;

/// Matches every follower of every group: one correction a follower, in the order of the groups.
///
/// # Errors
/// As of [`match_group`].
pub fn match_groups(
    responses: &Responses,
    groups: &[MatchGroup],
    radio: Option<&Radio>,
    warnings: &mut Vec<MatchingWarning>,
) -> Result<Vec<Correction>, MatchingError> {
    let mut corrections = Vec::new();
    for group in groups {
        corrections.extend(match_group(responses, group, radio, warnings)?);
    }
    Ok(corrections)
}

/// Matches every follower of a group to its reference.
///
/// Without a declared radio only end points in steps of 1 % are proposed, and a warning says so.
/// The result is the same for the same input, to the bit.
pub fn match_group(
    responses: &Responses,
    group: &MatchGroup,
    radio: Option<&Radio>,
    warnings: &mut Vec<MatchingWarning>,
) -> Result<Vec<Correction>, MatchingError> {
    let radio = match radio {
        Some(radio) => {
            command::check(radio)?;
            radio.clone()
        }
        None => {
            let warning = MatchingWarning::RadioNotDeclared;
            if !warnings.contains(&warning) {
                warnings.push(warning);
            }
            undeclared_radio()
        }
    };
    let corrections = if group.target.is_reference() {
        group
            .followers
            .iter()
            .map(|follower| {
                let names = (group.reference.as_str(), follower.as_str());
                to_reference(responses, names, (group, &radio))
            })
            .collect::<Result<Vec<_>, _>>()?
    } else {
        to_target(responses, group, &radio)?
    };
    for correction in &corrections {
        warnings.extend(warning::about(correction));
    }
    Ok(corrections)
}

/// Matches one follower to its reference, up against up where a differential is declared.
fn to_reference(
    responses: &Responses,
    names: (&str, &str),
    (group, radio): (&MatchGroup, &Radio),
) -> Result<Correction, MatchingError> {
    let differential = group
        .down_to_up
        .and_then(|down_to_up| Differential::new(responses, names.1, down_to_up));
    let Some(differential) = differential else {
        let pair = Pair::new(responses, names, group.motion, radio)?;
        return correct(&pair, group);
    };
    let turned = differential.turned(responses, names);
    let radio = turned_radio(radio, names.0);
    let pair = Pair::new(&turned, names, group.motion, &radio)?;
    Ok(differential.told_by_stick(correct(&pair, group)?))
}

/// Matches every surface of a group, its reference as well, to the group's target.
fn to_target(
    responses: &Responses,
    group: &MatchGroup,
    radio: &Radio,
) -> Result<Vec<Correction>, MatchingError> {
    let aims = Aims::new(responses, group, radio)?;
    std::iter::once(&group.reference)
        .chain(&group.followers)
        .enumerate()
        .map(|(side, surface)| {
            let with_target = aims.responses_for(responses, side);
            let names = (group.target.name(), surface.as_str());
            let pair = Pair::new(&with_target, names, MatchMotion::Same, radio)?;
            correct(&pair, group)
        })
        .collect()
}

fn undeclared_radio() -> Radio {
    Radio {
        curve_points_pct: None,
        step_pct: UNDECLARED_STEP_PCT,
        limit_pct: UNDECLARED_LIMIT_PCT,
        joins: Joins::Straight,
        us_per_pct: None,
        active: BTreeMap::new(),
    }
}

/// The best numbers for one follower and what they leave.
fn correct(pair: &Pair, group: &MatchGroup) -> Result<Correction, MatchingError> {
    let places = pair.places(&pair.reference_active);
    let best = improve(pair, &places)?;
    let found = &pair.follower_active;
    // A target has no linkage that another could be compared with.
    let (cause, hand_work) = if group.target.is_reference() {
        let (cause, hand_work) = hand_work::explain(pair, &places);
        (Some(cause), hand_work)
    } else {
        (None, None)
    };
    Ok(Correction {
        target: group.target,
        cause,
        hand_work,
        reference: pair.reference.visits().surface.clone(),
        follower: pair.follower.visits().surface.clone(),
        found_deg: at_stations(pair, found),
        predicted_deg: predict(pair, &places, &best.settings),
        found_worst_deg: Some(worst(pair, &places, found)),
        tolerance_deg: Some(group.tolerance_deg),
        play_floor_deg: Some(play_floor(pair)),
        out_of_reach: reach::find(pair, &places)?,
        optimality_gap_deg: Some(best.gap_deg),
        stages: best.stages,
        settings_us: pair
            .radio()
            .us_per_pct
            .map(|us_per_pct| SettingsUs::of(&best.settings, us_per_pct)),
        settings: best.settings,
    })
}

/// The best numbers, and what each stage on the way to them leaves.
struct Improved {
    settings: Settings,
    stages: Vec<StageGain>,
    gap_deg: f64,
}

/// Goes through the stages in the order of the work, each on top of the one before.
fn improve(pair: &Pair, places: &[Place]) -> Result<Improved, MatchingError> {
    let found = &pair.follower_active;
    let ends = end_points::best(pair, places, found);
    let mut improved = Improved {
        stages: vec![
            gain(pair, places, Stage::AsFound, found),
            gain(pair, places, Stage::SubTrim, found),
            gain(pair, places, Stage::EndPoints, &ends),
        ],
        settings: ends,
        gap_deg: 0.0,
    };
    if pair.radio().curve_points_pct.is_some() {
        let curve = best_curve(pair, places, &improved.settings)?;
        improved.settings = curve.settings;
        improved.gap_deg = if curve.proven { 0.0 } else { curve.worst_deg };
        let last = gain(pair, places, Stage::Curve, &improved.settings);
        improved.stages.push(last);
    }
    Ok(improved)
}

/// The best curve on top of the end points; without them where that leaves readably less, as
/// rounding may fall out.
fn best_curve(pair: &Pair, places: &[Place], ends: &Settings) -> Result<BestCurve, MatchingError> {
    let found = &pair.follower_active;
    let on_top = chain::best(pair, places, ends);
    let alone = if ends == found {
        None
    } else {
        chain::best(pair, places, found)
    };
    let readably_less = |alone: &BestCurve, on_top: &BestCurve| {
        let worst =
            |curve: &BestCurve| Score::of(pair, places, &curve.settings).worst_reachable_deg;
        worst(alone) < worst(on_top) - READABLE_DEG
    };
    match (on_top, alone) {
        (Some(on_top), Some(alone)) if readably_less(&alone, &on_top) => Ok(alone),
        (Some(curve), _) | (None, Some(curve)) => Ok(curve),
        (None, None) => Err(MatchingError::NothingFeasible {
            follower: pair.follower.visits().surface.clone(),
        }),
    }
}

fn gain(pair: &Pair, places: &[Place], stage: Stage, settings: &Settings) -> StageGain {
    let score = Score::of(pair, places, settings);
    let there = pair.mismatch_deg(settings, score.worst_at_pct);
    StageGain {
        stage,
        settings: settings.clone(),
        worst_deg: score.worst_deg,
        rms_deg: score.rms_deg,
        u_deg: Some(there.u()),
    }
}

fn at_stations(pair: &Pair, settings: &Settings) -> Vec<StationMismatch> {
    pair.stations_pct()
        .into_iter()
        .map(|stick_pct| StationMismatch {
            stick_pct,
            mismatch_deg: pair.mismatch_deg(settings, stick_pct),
        })
        .collect()
}

/// Largest |mismatch| with the doubt at its place.
fn worst(pair: &Pair, places: &[Place], settings: &Settings) -> Measured {
    let score = Score::of(pair, places, settings);
    let there = pair.mismatch_deg(settings, score.worst_at_pct);
    Measured::new(score.worst_deg, there.sd)
}

fn predict(pair: &Pair, places: &[Place], settings: &Settings) -> Prediction {
    let worst = worst(pair, places, settings);
    Prediction {
        worst: worst.value,
        rms: Score::of(pair, places, settings).rms_deg,
        u: COVERAGE_FACTOR * worst.sd,
        stations: at_stations(pair, settings),
    }
}

fn play_floor(pair: &Pair) -> Measured {
    let (a, b) = (
        pair.reference.half_play_deg(),
        pair.follower.half_play_deg(),
    );
    Measured::new(a.value + b.value, a.sd.hypot(b.sd))
}
