//! From the mismatch as found to the numbers to enter, in steps that a person can stop after.

use crate::model_file::Settings;

use super::correction::{Stage, StageGain};
use super::draws::Draws;
use super::error::MatchingError;
use super::numbers::{self, Best};
use super::pair::Pair;
use super::places::Place;
use super::promise::Outcomes;
use super::significance;

/// The numbers to enter, and the mismatch that each step on the way leaves.
#[derive(Debug, Clone)]
pub(super) struct Improved {
    pub settings: Settings,
    pub outcomes: Outcomes,
    pub stages: Vec<StageGain>,
    /// How much less another curve could leave at most, deg.
    pub gap_deg: f64,
}

/// The numbers to enter: the present ones where they are good enough or no others are
/// significantly better.
pub(super) fn improve(
    pair: &Pair,
    draws: &Draws,
    places: &[Place],
    tolerance_deg: f64,
) -> Result<Improved, MatchingError> {
    let found = &pair.follower_active;
    let outcomes_of = |settings: &Settings| Outcomes::of(pair, draws, places, settings);
    let as_found = outcomes_of(found);
    let nothing = Improved {
        stages: vec![gain(Stage::AsFound, found, &as_found)],
        settings: found.clone(),
        outcomes: as_found,
        gap_deg: 0.0,
    };
    let is_good_enough = nothing.outcomes.worst_interval_deg()[1] <= tolerance_deg;
    if is_good_enough || !significance::differ(pair, draws, places) {
        return Ok(nothing);
    }
    let best = numbers::best(pair, places)?;
    for settings in [&best.settings, &best.ends_alone] {
        if settings == found {
            continue;
        }
        let outcomes = outcomes_of(settings);
        if significance::is_worth(&nothing.outcomes, &outcomes) {
            return Ok(by_steps(&nothing, settings, outcomes, &outcomes_of, &best));
        }
    }
    Ok(nothing)
}

/// Sub-trim first, then end points, then the curve on top of them.
fn by_steps(
    nothing: &Improved,
    settings: &Settings,
    outcomes: Outcomes,
    outcomes_of: &impl Fn(&Settings) -> Outcomes,
    best: &Best,
) -> Improved {
    let found = &nothing.settings;
    let trimmed = Settings {
        sub_trim_pct: settings.sub_trim_pct,
        ..found.clone()
    };
    let ends = Settings {
        curve_pct: found.curve_pct.clone(),
        ..settings.clone()
    };
    let mut stages = nothing.stages.clone();
    if trimmed != *found {
        stages.push(gain(Stage::SubTrim, &trimmed, &outcomes_of(&trimmed)));
    }
    if ends != trimmed {
        stages.push(gain(Stage::EndPoints, &ends, &outcomes_of(&ends)));
    }
    if ends != *settings {
        stages.push(gain(Stage::Curve, settings, &outcomes));
    }
    Improved {
        settings: settings.clone(),
        outcomes,
        stages,
        gap_deg: best.gap_deg,
    }
}

fn gain(stage: Stage, settings: &Settings, outcomes: &Outcomes) -> StageGain {
    StageGain {
        stage,
        settings: settings.clone(),
        worst_deg: outcomes.worst_at_most_deg(),
        rms_deg: outcomes.rms_at_most_deg(),
        u_deg: None,
    }
}
