//! Warnings of the stations stage.

use crate::names;
use crate::warning::Warning;

/// A warning about the holds.
#[derive(Debug, Clone, PartialEq)]
pub enum StationsWarning {
    /// Rests in which no station card was seen; they were left out.
    HoldsWithoutCard {
        /// First and last time of the settled frames of each.
        times_s: Vec<[f64; 2]>,
        /// Undeclared tags that were seen during these rests, rising.
        strangers: Vec<u32>,
    },
    /// Rests that no mark names; they were left out.
    HoldsWithoutMark {
        /// First and last time of each.
        times_s: Vec<[f64; 2]>,
    },
    /// An end of the declared travel was never shown.
    TravelNotCovered {
        /// Outermost stations that were measured.
        shown_pct: [f64; 2],
        /// Outermost stations that were declared and not shown.
        missing_pct: Vec<f64>,
    },
    /// Stations were not shown although the opposite ones were.
    StationsSkipped {
        /// The stations, rising.
        sticks_pct: Vec<f64>,
    },
    /// The number of rests differs from the declared order; only one way to pair them fits.
    HoldsMiscounted {
        /// Number of declared holds.
        declared: usize,
        /// Number of rests seen.
        seen: usize,
        /// Which one is missing or not declared.
        difference: String,
    },
    /// The deflections do not rise or fall steadily with the stick.
    ResponseNotMonotone {
        /// Root mean square distance from a monotone response.
        misfit_deg: f64,
        /// Largest misfit that play explains.
        threshold_deg: f64,
    },
    /// Between few holds the stick of a slow sweep came from the reference.
    StickByReference {
        /// Name of the reference.
        surface: String,
        /// Number of stations that were held.
        stations: usize,
        /// Expanded uncertainty of the stick where it is largest.
        stick_u_pct: f64,
    },
    /// A surface does not follow the stick log as a servo does; sweeps were not measured.
    StickNotFollowed {
        /// Name of the surface.
        surface: String,
        /// Share of its motion that no lag and no largest speed explain.
        unexplained_pct: f64,
        /// The accepted share.
        threshold_pct: f64,
    },
    /// A servo ran at its largest speed in a sweep; those frames were left out.
    ServoAtLimit {
        /// Name of its surface.
        surface: String,
        /// How many frames.
        frames: usize,
        /// Its largest speed.
        largest_pct_per_s: f64,
    },
    /// The stick went further than was measured, too fast to be measured on the way.
    SweepTooFast {
        /// Speed of the stick while it moves.
        rate_pct_per_s: f64,
        /// Fastest sweep that is measured.
        fastest_pct_per_s: f64,
        /// Outermost stations.
        measured_pct: [f64; 2],
        /// Outermost sticks.
        stick_pct: [f64; 2],
    },
}

impl Warning for StationsWarning {
    fn code(&self) -> &'static str {
        match self {
            Self::HoldsWithoutCard { .. } => "hold-without-card",
            Self::HoldsWithoutMark { .. } => "hold-without-mark",
            Self::TravelNotCovered { .. } => "travel-not-covered",
            Self::StationsSkipped { .. } => "stations-skipped",
            Self::HoldsMiscounted { .. } => "holds-miscounted",
            Self::ResponseNotMonotone { .. } => "response-not-monotone",
            Self::StickByReference { .. } => "stick-by-reference",
            Self::StickNotFollowed { .. } => "stick-not-followed",
            Self::ServoAtLimit { .. } => "servo-at-limit",
            Self::SweepTooFast { .. } => "sweep-too-fast",
        }
    }

    fn text(&self) -> String {
        match self {
            Self::HoldsWithoutCard { times_s, strangers } => format!(
                "no declared station card was seen in {}{}; the program left {} out",
                holds_at(times_s),
                names::but_tags(strangers),
                it_or_them(times_s)
            ),
            Self::HoldsWithoutMark { times_s } => format!(
                "no mark is within {}; the program left {} out",
                holds_at(times_s),
                it_or_them(times_s)
            ),
            Self::TravelNotCovered {
                shown_pct: [lowest, highest],
                missing_pct,
            } => format!(
                "only {} to {} % of the stick was measured: the clip shows no hold at {}",
                stick(*lowest),
                stick(*highest),
                all_of(missing_pct)
            ),
            Self::StationsSkipped { sticks_pct } => format!(
                "the clip shows no hold at {}, but it shows the opposite station; the curve there \
                 follows from its neighbours",
                all_of(sticks_pct)
            ),
            Self::HoldsMiscounted {
                declared,
                seen,
                difference,
            } => {
                format!(
                    "the model file declares {declared} holds, the clip shows {seen}; {difference}"
                )
            }
            Self::ResponseNotMonotone {
                misfit_deg,
                threshold_deg,
            } => format!(
                "the surfaces reverse while the stick continues: {misfit_deg:.1}° off a steady \
                 response (play explains {threshold_deg:.1}°)"
            ),
            Self::StickByReference {
                surface,
                stations,
                stick_u_pct,
            } => format!(
                "between {stations} holds the stick of the sweep was computed from {surface}, to \
                 ± {stick_u_pct:.1} % where they are furthest apart; this hardly affects the mismatch"
            ),
            Self::StickNotFollowed {
                surface,
                unexplained_pct,
                threshold_pct,
            } => format!(
                "{surface} does not follow the stick log: one lag and one largest speed leave \
                 {unexplained_pct:.2} % of its motion unexplained (good: below {threshold_pct:.1} \
                 %); only holds were measured"
            ),
            Self::ServoAtLimit {
                surface,
                frames,
                largest_pct_per_s,
            } => format!(
                "the servo of {surface} ran at its largest speed ({largest_pct_per_s:.0} %/s) in \
                 {frames} frames of a sweep; they were left out"
            ),
            Self::SweepTooFast {
                rate_pct_per_s,
                fastest_pct_per_s,
                measured_pct: [lowest, highest],
                stick_pct: [from, to],
            } => format!(
                "the stick went from {from:+.0} to {to:+.0} %, but only {lowest:+.0} to \
                 {highest:+.0} % were measured: it swept at {rate_pct_per_s:.0} %/s (measured up \
                 to {fastest_pct_per_s:.0} %/s)"
            ),
        }
    }

    fn grave(&self) -> bool {
        match self {
            Self::ResponseNotMonotone { .. } => true,
            // A surface may go one way only.
            Self::TravelNotCovered {
                shown_pct: [lowest, highest],
                ..
            } => *lowest < 0.0 && *highest > 0.0,
            _ => false,
        }
    }

    fn mend(&self) -> String {
        match self {
            Self::HoldsWithoutCard { strangers, .. } if !strangers.is_empty() => {
                "add the ids of these cards to `cards` under [stations], or show the cards that are \
                 declared there"
            }
            Self::HoldsWithoutCard { .. } => {
                "show the card during the whole hold, whole, upright and in focus"
            }
            Self::HoldsWithoutMark { .. } => {
                "add a row with a time within each of these holds to the file"
            }
            Self::TravelNotCovered { .. } => {
                "film the whole travel, to both ends; if the surface has no such end, declare the \
                 stations of its travel alone under [stations]"
            }
            Self::StationsSkipped { .. } => "hold the stick at these stations too, and film again",
            Self::HoldsMiscounted { .. } => {
                "the other holds were measured; check that you did not mean to declare this hold, and hold each \
                 station for two seconds"
            }
            Self::StickByReference { .. } => {
                "hold the stick at more stations, or log it, to measure the response of each side \
                 over the stick itself"
            }
            Self::StickNotFollowed { .. } => {
                "check that the log contains the stick that moves this surface, and only that; sweep more \
                 slowly, eight seconds or more from end to end and back, or hold each station"
            }
            Self::ServoAtLimit { .. } => {
                "sweep more slowly, eight seconds or more from end to end and back; look for a \
                 weak servo, a low battery or a stiff linkage if that is slow already"
            }
            Self::SweepTooFast { .. } => {
                "move the stick from end to end and back in eight seconds or more, evenly, or hold \
                 it at each station for two seconds"
            }
            Self::ResponseNotMonotone { .. } => {
                "check that each hold has its right station; a linkage past its dead centre or \
                 a loose servo looks like this too"
            }
        }
        .into()
    }
}

/// "+50", "-50", "0".
fn stick(stick_pct: f64) -> String {
    match stick_pct {
        0.0 => "0".into(),
        stick_pct => format!("{stick_pct:+.0}"),
    }
}

/// "-50 % and +50 %".
fn all_of(sticks_pct: &[f64]) -> String {
    let sticks = sticks_pct
        .iter()
        .map(|stick_pct| format!("{stick_pct:+.0} %"));
    sticks.collect::<Vec<_>>().join(" and ")
}

/// "the hold at 1.2–2.0 s", "the 2 holds at 1.2–2.0 s and 3.1–4.0 s".
fn holds_at(times_s: &[[f64; 2]]) -> String {
    let spans: Vec<String> = times_s
        .iter()
        .map(|[from, to]| format!("{from:.1}–{to:.1} s"))
        .collect();
    match &spans[..] {
        [one] => format!("the hold at {one}"),
        several => format!("the {} holds at {}", several.len(), several.join(", ")),
    }
}

fn it_or_them(times_s: &[[f64; 2]]) -> &'static str {
    match times_s {
        [_] => "it",
        _ => "them",
    }
}
