//! What the stations stage doubts, though it found the holds.

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
}

impl StationsWarning {
    /// Stable name of the kind of warning.
    pub fn code(&self) -> &'static str {
        match self {
            Self::HoldWithoutCard { .. } => "hold-without-card",
            Self::HoldWithoutMark { .. } => "hold-without-mark",
            Self::HoldsMiscounted { .. } => "holds-miscounted",
            Self::ResponseNotMonotone { .. } => "response-not-monotone",
        }
    }

    /// What was seen, with the figure that raised the doubt.
    pub fn text(&self) -> String {
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
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::HoldWithoutCard { .. } => {
                "show the card during the whole hold, whole, upright and in focus"
            }
            Self::HoldWithoutMark { .. } => "add a row with a time within this hold to the file",
            Self::HoldsMiscounted { .. } => {
                "the other holds were measured; check that this is what happened, and hold each \
                 station for a second"
            }
            Self::ResponseNotMonotone { .. } => {
                "check that each hold was told its right station; a linkage past its dead centre or \
                 a loose servo shows like this too"
            }
        }
        .into()
    }
}
