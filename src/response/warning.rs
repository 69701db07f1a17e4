//! Warnings of the response stage.

use super::constants::{LATE_S, MUCH_JITTER_DEG, MUCH_PLAY_DEG, POOR_RETURN_DEG};
use super::{Health, SideLag};
use crate::figures;
use crate::measured::Measured;
use crate::warning::Warning;

/// A warning about a surface or its response.
#[derive(Debug, Clone, PartialEq)]
pub enum ResponseWarning {
    /// A surface was not measured at some holds.
    HoldsNotMeasured {
        /// Name of the surface.
        surface: String,
        /// The holds, in time.
        holds: Vec<UnmeasuredHold>,
        /// Fewest frames that make a measurement.
        fewest: usize,
    },
    /// The declared span in which the surfaces are held level shows none of them.
    LevelNotMeasured,
    /// A surface rests while the command goes on.
    StopsEarly {
        /// Name of the surface.
        surface: String,
        /// The station from which on it rests.
        stick_pct: f64,
        /// Deflection at which it rests.
        deflection_deg: Measured,
    },
    /// A surface can rest in a wide band for one command.
    MuchPlay {
        /// Name of the surface.
        surface: String,
        /// The band.
        play_deg: Measured,
        /// Limit of good linkages.
        threshold_deg: f64,
    },
    /// A surface does not come back to the same neutral.
    NeutralWanders {
        /// Name of the surface.
        surface: String,
        /// Largest difference between the visits.
        difference_deg: Measured,
        /// Limit of good linkages.
        threshold_deg: f64,
    },
    /// A surface moves while the stick rests.
    Jitters {
        /// Name of the surface.
        surface: String,
        /// Standard deviation within holds.
        jitter_deg: Measured,
        /// Limit of good servos.
        threshold_deg: f64,
    },
    /// One side moves later than the other.
    SidesLag {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
        /// How much later the follower moves.
        lag_s: Measured,
        /// Limit of visibility.
        threshold_s: f64,
    },
}

/// A hold at which a surface was not measured.
#[derive(Debug, Clone, PartialEq)]
pub struct UnmeasuredHold {
    /// Stick position.
    pub stick_pct: f64,
    /// First and last time.
    pub time_s: [f64; 2],
    /// Frames in which the surface was measured there.
    pub frames: usize,
}

/// Warns of poor health of a surface.
pub(super) fn doubt_health(surface: &str, health: &Health, warnings: &mut Vec<ResponseWarning>) {
    let name = || surface.to_owned();
    let above = |value: Option<Measured>, threshold: f64| {
        value.filter(|measured| measured.value.abs() > threshold)
    };
    let stops = health
        .early_stop
        .iter()
        .map(|stop| ResponseWarning::StopsEarly {
            surface: name(),
            stick_pct: stop.stick_pct,
            deflection_deg: stop.deflection_deg,
        });
    let play = above(health.play_deg, MUCH_PLAY_DEG).map(|play_deg| ResponseWarning::MuchPlay {
        surface: name(),
        play_deg,
        threshold_deg: MUCH_PLAY_DEG,
    });
    let neutral = above(health.return_to_neutral_deg, POOR_RETURN_DEG).map(|difference_deg| {
        ResponseWarning::NeutralWanders {
            surface: name(),
            difference_deg,
            threshold_deg: POOR_RETURN_DEG,
        }
    });
    let jitter =
        above(health.jitter_deg, MUCH_JITTER_DEG).map(|jitter_deg| ResponseWarning::Jitters {
            surface: name(),
            jitter_deg,
            threshold_deg: MUCH_JITTER_DEG,
        });
    let all = stops.chain(play).chain(neutral).chain(jitter);
    warnings.extend(all);
}

/// Warns of sides that do not move together.
pub(super) fn doubt_lags(lags: &[SideLag], warnings: &mut Vec<ResponseWarning>) {
    let late = lags.iter().filter(|lag| lag.lag_s.value.abs() > LATE_S);
    warnings.extend(late.map(|lag| ResponseWarning::SidesLag {
        reference: lag.reference.clone(),
        follower: lag.follower.clone(),
        lag_s: lag.lag_s,
        threshold_s: LATE_S,
    }));
}

impl Warning for ResponseWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::HoldsNotMeasured { .. } => "hold-not-measured",
            Self::LevelNotMeasured => "level-not-measured",
            Self::StopsEarly { .. } => "surface-stops-early",
            Self::MuchPlay { .. } => "much-play",
            Self::NeutralWanders { .. } => "neutral-wanders",
            Self::Jitters { .. } => "surface-jitters",
            Self::SidesLag { .. } => "sides-lag",
        }
    }

    fn text(&self) -> String {
        match self {
            Self::HoldsNotMeasured {
                surface,
                holds,
                fewest,
            } => {
                let places: Vec<String> = holds
                    .iter()
                    .map(|hold| {
                        let [from, to] = hold.time_s;
                        format!("{:+.0} % ({from:.1}–{to:.1} s)", hold.stick_pct)
                    })
                    .collect();
                let most = holds.iter().map(|hold| hold.frames).max().unwrap_or(0);
                format!(
                    "{surface} was not measured at {}: its tag was seen well enough in {}{most} of \
                     at least {fewest} frames",
                    places.join(", "),
                    if holds.len() > 1 { "at most " } else { "" }
                )
            }
            Self::LevelNotMeasured => "no surface was measured in the declared span of the level \
                                       position, so each side counts from its own neutral"
                .into(),
            Self::StopsEarly {
                surface,
                stick_pct,
                deflection_deg,
            } => format!(
                "{surface} stops at {}, from {stick_pct:+.0} % stick on, although the command continues",
                angle(deflection_deg)
            ),
            Self::MuchPlay {
                surface,
                play_deg,
                threshold_deg,
            } => format!(
                "{surface} has {} of play (good: below {threshold_deg}°)",
                angle(play_deg)
            ),
            Self::NeutralWanders {
                surface,
                difference_deg,
                threshold_deg,
            } => format!(
                "the visits of {surface} to neutral differ by {} (good: below {threshold_deg}°)",
                angle(difference_deg)
            ),
            Self::Jitters {
                surface,
                jitter_deg,
                threshold_deg,
            } => format!(
                "{surface} shakes by {} while the stick rests (good: below {threshold_deg}°)",
                angle(jitter_deg)
            ),
            Self::SidesLag {
                reference,
                follower,
                lag_s,
                threshold_s,
            } => format!(
                "{follower} moves {:.3} ± {:.3} s {} {reference} (good: within {threshold_s} s)",
                lag_s.value.abs(),
                lag_s.u(),
                if lag_s.value > 0.0 { "after" } else { "before" }
            ),
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::HoldsNotMeasured { .. } => {
                "keep the tag in view, sharp and free of glare while the stick rests, or hold \
                 longer; then film again"
            }
            Self::LevelNotMeasured => {
                "correct the times of `level` in the model file: all tags have to be in view while the \
                 surfaces are held level"
            }
            Self::StopsEarly { .. } => {
                "do not hold the stick there: the servo may be stalled and drawing its full \
                 current; reduce the end point or free the linkage, then film again"
            }
            Self::MuchPlay { .. } => {
                "look for a worn horn, clevis or hinge and a loose arm; no curve can correct play"
            }
            Self::NeutralWanders { .. } => {
                "look for friction in hinges and linkage, a weak servo and play"
            }
            Self::Jitters { .. } => {
                "look for a worn servo, a long thin rod or an unsteady stand; measure again \
                 with the model and the camera firmly supported"
            }
            Self::SidesLag { .. } => {
                "use servos of one kind and one supply on both sides, and compare their cables"
            }
        }
        .into()
    }
}

fn angle(measured: &Measured) -> String {
    figures::plain_deg(*measured)
}
