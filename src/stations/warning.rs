//! What the stations stage doubts, though it found the holds.

use crate::warning::Warning;

/// A doubt about the holds.
#[derive(Debug, Clone, PartialEq)]
pub enum StationsWarning {
    /// A rest in which no station card was seen; it was left out.
    HoldWithoutCard {
        /// First and last time of its settled frames.
        time_s: [f64; 2],
    },
    /// A rest in which no mark lies; it was left out.
    HoldWithoutMark {
        /// First and last time of the rest.
        time_s: [f64; 2],
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
        /// What play explains.
        threshold_deg: f64,
    },
    /// Between few holds the reference told the stick of a slow sweep.
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
        /// What is accepted.
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
            Self::HoldWithoutCard { .. } => "hold-without-card",
            Self::HoldWithoutMark { .. } => "hold-without-mark",
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
            Self::HoldWithoutCard { time_s: [from, to] } => format!(
                "no station card was seen while the surfaces rested from {from:.1} s to {to:.1} s; \
                 this hold was left out"
            ),
            Self::HoldWithoutMark { time_s: [from, to] } => {
                format!("no mark lies in the hold from {from:.1} s to {to:.1} s; it was left out")
            }
            Self::HoldsMiscounted {
                declared,
                seen,
                difference,
            } => {
                format!("{declared} holds declared, {seen} seen; {difference}")
            }
            Self::ResponseNotMonotone {
                misfit_deg,
                threshold_deg,
            } => format!(
                "the surfaces turn back while the stick goes on: {misfit_deg:.1}° RMS off a steady \
                 response (play explains {threshold_deg:.1}°)"
            ),
            Self::StickByReference {
                surface,
                stations,
                stick_u_pct,
            } => format!(
                "between {stations} held stations {surface} itself told the stick of the sweep, to \
                 ± {stick_u_pct:.1} % where they are furthest apart; the mismatch hardly feels it"
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

    fn mend(&self) -> String {
        match self {
            Self::HoldWithoutCard { .. } => {
                "show the card during the whole hold, whole, upright and in focus"
            }
            Self::HoldWithoutMark { .. } => "add a row with a time within this hold to the file",
            Self::HoldsMiscounted { .. } => {
                "the other holds were measured; check that this is what happened, and hold each \
                 station for a second"
            }
            Self::StickByReference { .. } => {
                "hold the stick at more stations, or log it, to know the response of each side \
                 over the stick itself"
            }
            Self::StickNotFollowed { .. } => {
                "check that the log holds the stick alone that moves this surface; sweep more \
                 slowly, eight seconds or more from end to end and back, or hold each station"
            }
            Self::ServoAtLimit { .. } => {
                "sweep more slowly, eight seconds or more from end to end and back; look for a \
                 weak servo, a low battery or a stiff linkage if that is slow already"
            }
            Self::SweepTooFast { .. } => {
                "move the stick from end to end and back in eight seconds or more, evenly, or hold \
                 it at each station for a second"
            }
            Self::ResponseNotMonotone { .. } => {
                "check that each hold was told its right station; a linkage past its dead centre or \
                 a loose servo shows like this too"
            }
        }
        .into()
    }
}
