//! What the response stage doubts, though it measured.

/// A doubt about a surface or its response.
#[derive(Debug, Clone, PartialEq)]
pub enum ResponseWarning {
    /// A surface was not measured at a hold.
    HoldNotMeasured {
        /// Name of the surface.
        surface: String,
        /// Stick position of the hold.
        stick_pct: f64,
        /// First and last time of the hold.
        time_s: [f64; 2],
        /// Frames in which the surface was measured there.
        frames: usize,
        /// Fewest frames that make a measurement.
        fewest: usize,
    },
}

impl ResponseWarning {
    /// Stable name of the kind of warning.
    pub fn code(&self) -> &'static str {
        match self {
            Self::HoldNotMeasured { .. } => "hold-not-measured",
        }
    }

    /// What was seen, with the figure that raised the doubt.
    pub fn text(&self) -> String {
        match self {
            Self::HoldNotMeasured {
                surface,
                stick_pct,
                time_s: [from, to],
                frames,
                fewest,
            } => format!(
                "{surface} was not measured at {stick_pct:+.0} % ({from:.1}–{to:.1} s): its tag \
                 was seen in {frames} of at least {fewest} frames"
            ),
        }
    }

    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::HoldNotMeasured { .. } => {
                "keep the tag in view, sharp and free of glare while the stick rests, or hold \
                 longer; then film again"
            }
        }
        .into()
    }
}
