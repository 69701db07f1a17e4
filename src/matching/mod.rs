//! Matching: the numbers that make a follower move like its reference, and the mismatch that will remain.
//!
//! 1. `pairing` turns both sides of a pair into the input for the follower's numbers, up with up.
//! 2. Each response becomes deflection against its servo's command, in the middle of the play
//!    (`visits`, `curve`), and `pair` compares them at `places` over the whole common travel.
//! 3. `numbers` searches the numbers that leave the least worst mismatch in the radio's own steps:
//!    end points (`end_points`) and the output curve on them (`chain`).
//! 4. `draws` of the joint covariance give bounds for any numbers (`promise`), and
//!    whether to change anything at all (`significance`); `stages` does both step by step.
//! 5. `reach` finds ends out of reach, `hand_work` the work by hand that comes first.
//!
//! Where a group has a target of its own instead of a reference, every one of its surfaces is matched
//! to that (`aim`). A pair that cannot be matched becomes a warning.
//!
//! Neutral of both sides is the zero of their deflections, and sub-trim stays as it is, unless a level
//! zero says how the neutrals compare (`sub_trim`): mismatches then count from the level position.

mod aim;
mod cause;
mod chain;
mod command;
mod constants;
mod correction;
mod curve;
mod curve_table;
mod differing;
mod draws;
mod end_points;
mod error;
mod explanation;
mod hand_work;
mod layers;
mod linkage;
mod normals;
mod numbers;
mod pair;
mod pair_covariance;
mod pairing;
mod pchip;
mod places;
mod promise;
mod reach;
mod score;
mod significance;
mod stages;
mod states;
mod sub_trim;
mod visits;
mod warning;

use crate::measured::Measured;
use crate::model_file::{MatchGroup, Radio, Settings};
use crate::response::Responses;

pub use cause::{Cause, LinkageDifference, LinkagePart};
pub use correction::{
    Correction, Exchanged, Leaves, Prediction, SettingsUs, Stage, StageGain, StationMismatch,
};
pub use error::MatchingError;
pub use hand_work::HandWork;
pub use reach::OutOfReach;
pub use warning::MatchingWarning;

use aim::Aims;
use draws::Draws;
use pair::Pair;
use pairing::{Names, Pairing};
use places::Place;
use score::Score;
use stages::Improved;

/// Matches every follower of every group: one correction a follower, in the order of the groups.
///
/// A pair that cannot be matched has no correction, and a warning gives the reason. Without a declared
/// radio only end points in steps of 1 % are proposed, and a warning says so. The result is the same
/// for the same input, to the bit.
///
/// # Errors
/// A radio that cannot be used.
pub fn match_groups(
    responses: &Responses,
    groups: &[MatchGroup],
    radio: Option<&Radio>,
    warnings: &mut Vec<MatchingWarning>,
) -> Result<Vec<Correction>, MatchingError> {
    if let Some(radio) = radio {
        command::check(radio)?;
    } else if !groups.is_empty() {
        warnings.push(MatchingWarning::RadioNotDeclared);
    }
    let radio = radio.cloned().unwrap_or_default();
    let mut corrections = Vec::new();
    for group in groups {
        for (names, matched) in match_group(responses, group, &radio) {
            match matched {
                Ok(correction) => {
                    warnings.extend(warning::about(&correction));
                    corrections.push(correction);
                }
                Err(reason) => warnings.push(MatchingWarning::NotMatched {
                    reference: names.reference.into(),
                    follower: names.follower.into(),
                    reason,
                }),
            }
        }
    }
    Ok(corrections)
}

/// A pair, and the correction of its follower or why there is none.
type Matched<'a> = (Names<'a>, Result<Correction, MatchingError>);

/// Matches every follower of a group, or every surface if the group has a target of its own.
fn match_group<'a>(
    responses: &Responses,
    group: &'a MatchGroup,
    radio: &Radio,
) -> Vec<Matched<'a>> {
    let reference = group.reference.as_str();
    let followers = group.followers.iter().map(String::as_str);
    if group.target.is_reference() {
        return followers
            .map(|follower| {
                let names = Names {
                    reference,
                    follower,
                };
                (names, to_reference(responses, names, group, radio))
            })
            .collect();
    }
    let aims = Aims::new(responses, group, radio);
    std::iter::once(reference)
        .chain(followers)
        .enumerate()
        .map(|(side, surface)| {
            let aims = aims.as_ref().map_err(Clone::clone);
            let names = Names {
                reference: group.target.name(),
                follower: surface,
            };
            let matched = aims.and_then(|aims| {
                let with_target = aims.responses_for(responses, side);
                let correction = to_target(&with_target, names, group, radio)?;
                Ok(if aims.is_own(side) {
                    correction.at_its_target()
                } else {
                    correction
                })
            });
            (names, matched)
        })
        .collect()
}

/// Matches one follower to its reference.
fn to_reference(
    responses: &Responses,
    names: Names<'_>,
    group: &MatchGroup,
    radio: &Radio,
) -> Result<Correction, MatchingError> {
    let pairing = Pairing::with_reference(responses, group, radio, names);
    let paired = pairing.paired(responses, names);
    let pair = Pair::new(&paired, names, pairing, radio)?;
    let counted_from_own = |_| Pair::new(&paired, names, pairing.counted_from_own_neutral(), radio);
    let own = pairing.neutral_deg().map(counted_from_own).transpose()?;
    let mut correction = correct(&pair, own.as_ref(), group)?;
    if !correction.out_of_reach.is_empty() {
        let swapped = Names {
            reference: names.follower,
            follower: names.reference,
        };
        correction.exchanged = exchanged(responses, swapped, group, radio);
    }
    Ok(pairing.by_stick(correction))
}

/// The result if the reference gets the numbers and the follower is left alone; `names` are already
/// swapped. `None` if the adjusted surface falls short anywhere.
fn exchanged(
    responses: &Responses,
    names: Names<'_>,
    group: &MatchGroup,
    radio: &Radio,
) -> Option<Exchanged> {
    let pairing = Pairing::with_reference(responses, group, radio, names);
    let paired = pairing.paired(responses, names);
    let pair = Pair::new(&paired, names, pairing, radio).ok()?;
    let places = pair.places(&pair.reference_active);
    if !reach::short_ends(&places).is_empty() {
        return None;
    }
    let improved = stages::improve(&pair, &Draws::new(&pair), &places, group.tolerance_deg).ok()?;
    Some(Exchanged {
        worst_deg: improved.outcomes.worst_at_most_deg(),
        rms_deg: improved.outcomes.rms_at_most_deg(),
        settings: improved.settings,
    })
}

/// Matches one surface to the group's target, which is among the responses under its name.
fn to_target(
    with_target: &Responses,
    names: Names<'_>,
    group: &MatchGroup,
    radio: &Radio,
) -> Result<Correction, MatchingError> {
    let pairing = Pairing::with_target(with_target, group, radio, names.follower);
    let paired = pairing.paired(with_target, names);
    let pair = Pair::new(&paired, names, pairing, radio)?;
    Ok(pairing.by_stick(correct(&pair, None, group)?))
}

/// The best numbers for one follower and the mismatch that they leave; `own` is the same pair with
/// each side counting from its own neutral, where `pair` does not.
fn correct(
    pair: &Pair,
    own: Option<&Pair>,
    group: &MatchGroup,
) -> Result<Correction, MatchingError> {
    let places = pair.places(&pair.reference_active);
    let draws = Draws::new(pair);
    let best = stages::improve(pair, &draws, &places, group.tolerance_deg)?;
    let differs = significance::differ(pair, &draws, &places);
    // A target has no linkage that another could be compared with.
    let has_linkages = group.target.is_reference();
    let (cause, hand_work) = match own {
        _ if !has_linkages => (None, None),
        None => why(pair, &places, differs),
        Some(own) => why_from_own_neutral(own),
    };
    let levels = has_linkages && pair.neutral_deg().is_none();
    let out_of_reach = if differs {
        reach::find(pair, &draws, &places, group.tolerance_deg)?
    } else {
        Vec::new()
    };
    let [reference, follower] = pair.names();
    let us_per_pct = pair.radio().us_per_pct;
    Ok(Correction {
        target: group.target,
        cause,
        hand_work,
        reference: reference.into(),
        follower: follower.into(),
        found_deg: at_stations(pair, &pair.reference_active, &pair.follower_active),
        measured_pct: Some(pair.travel_pct),
        found_worst_deg: Some(found_worst(pair, &draws, &places)),
        tolerance_deg: Some(group.tolerance_deg),
        play_floor_deg: Some(play_floor(pair)),
        neutral_deg: neutral_as_found(pair),
        levelling_deg_per_deg: if levels {
            sub_trim::levelling_deg_per_deg(pair, &places, &best.settings)
        } else {
            None
        },
        out_of_reach,
        exchanged: None,
        optimality_gap_deg: Some(best.gap_deg),
        settings_us: us_per_pct.map(|us_per_pct| SettingsUs::of(&best.settings, us_per_pct)),
        predicted_deg: predict(pair, &best),
        stages: best.stages,
        settings: best.settings,
    })
}

/// Why the sides move differently, and the work by hand that helps. Both sides count from their own
/// neutral: it is set by the rod, and is no evidence about the linkages.
fn why(own: &Pair, places: &[Place], differs: bool) -> (Option<Cause>, Option<HandWork>) {
    if !differs {
        return (Some(Cause::Alike), None);
    }
    let (cause, hand_work) = hand_work::explain(own, places);
    (Some(cause), hand_work)
}

/// The same for a pair that is matched from a level position.
fn why_from_own_neutral(own: &Pair) -> (Option<Cause>, Option<HandWork>) {
    let places = own.places(&own.reference_active);
    let differs = significance::differ(own, &Draws::new(own), &places);
    why(own, &places, differs)
}

/// The follower's neutral above the reference's as found.
fn neutral_as_found(pair: &Pair) -> Option<Measured> {
    pair.neutral_deg()
        .map(|_| pair.mismatch_deg(&pair.follower_active, 0.0))
}

/// Mismatch at the stations with these numbers of the reference and of the follower.
fn at_stations(pair: &Pair, reference: &Settings, follower: &Settings) -> Vec<StationMismatch> {
    pair.stations_pct()
        .into_iter()
        .map(|stick_pct| StationMismatch {
            stick_pct,
            mismatch_deg: pair.mismatch_with_deg([reference, follower], stick_pct),
        })
        .collect()
}

/// Largest |mismatch| as found, with an uncertainty that reaches over the interval that contains it in
/// 95 of 100 cases.
fn found_worst(pair: &Pair, draws: &Draws, places: &[Place]) -> Measured {
    let found = &pair.follower_active;
    let worst_deg = Score::of(pair, places, found).worst_deg;
    let outcomes = promise::Outcomes::of(pair, draws, places, found);
    let [least_deg, most_deg] = outcomes.worst_interval_deg();
    Measured::from_expanded(worst_deg, (worst_deg - least_deg).max(most_deg - worst_deg))
}

fn predict(pair: &Pair, best: &Improved) -> Prediction {
    let [least_deg, most_deg] = best.outcomes.worst_interval_deg();
    Prediction {
        worst: best.outcomes.worst_at_most_deg(),
        rms: best.outcomes.rms_at_most_deg(),
        u: 0.5 * (most_deg - least_deg),
        least: Some(least_deg),
        stations: at_stations(pair, &pair.reference_active, &best.settings),
    }
}

fn play_floor(pair: &Pair) -> Measured {
    let (a, b) = (
        pair.reference.half_play_deg(),
        pair.follower.half_play_deg(),
    );
    Measured::new(a.value + b.value, a.sd.hypot(b.sd))
}
