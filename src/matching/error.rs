//! Why no correction can be computed.

use crate::model_file::MatchMotion;

/// A match that cannot be made; the help text names the next action.
#[derive(Debug, Clone, PartialEq, thiserror::Error, miette::Diagnostic)]
pub enum MatchingError {
    /// A surface of the group has no stations.
    #[error("\"{surface}\" was not measured at any station")]
    #[diagnostic(help("film again with its tag in view at every hold"))]
    NotMeasured {
        /// Surface.
        surface: String,
    },
    /// There are too few stations to know the response.
    #[error(
        "\"{surface}\" was measured at {stations} different stations; matching needs {} or more",
        MatchingError::FEWEST_STATIONS
    )]
    #[diagnostic(help("hold the stick at neutral, at both ends and between: 9 stations are good"))]
    TooFewStations {
        /// Surface.
        surface: String,
        /// Different stations seen.
        stations: usize,
    },
    /// A figure of the response is no number.
    #[error("the response of \"{surface}\" contains an invalid number")]
    #[diagnostic(help("measure the clip again; do not edit the kept measurement by hand"))]
    NotFinite {
        /// Surface.
        surface: String,
    },
    /// Covariance and stations do not belong together.
    #[error("the stations' covariance has {rows} rows for {stations} stations or more")]
    #[diagnostic(help("measure the clip again; do not edit the kept measurement by hand"))]
    CovarianceShape {
        /// Rows of the covariance.
        rows: usize,
        /// Stations counted so far.
        stations: usize,
    },
    /// A surface hardly moves.
    #[error(
        "\"{surface}\" moved by only {travel_deg:.2}°; matching needs {}° or more",
        MatchingError::LEAST_TRAVEL_DEG
    )]
    #[diagnostic(help("check that its servo works and that the stick went to its stations"))]
    TooLittleTravel {
        /// Surface.
        surface: String,
        /// Travel seen.
        travel_deg: f64,
    },
    /// The follower runs against its reference.
    #[error("{}", wrong_way(reference, follower, *declared))]
    #[diagnostic(help(
        "if they must move like this in the clip, correct `motion` in the model file; if not, \
         reverse the servo of \"{follower}\" in the radio and film again"
    ))]
    WrongWay {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
        /// How the model file says that they move.
        declared: MatchMotion,
    },
    /// The sides have no stick travel in common.
    #[error("\"{follower}\" and \"{reference}\" were not measured over a common stick travel")]
    #[diagnostic(help("film again with both tags in view at every hold"))]
    NoCommonTravel {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
    },
    /// Numbers that are said to be active do not fit the radio.
    #[error(
        "\"{surface}\" has {found} curve values active, but the radio's curve has {expected} points"
    )]
    #[diagnostic(help("write one curve value for each of curve_points_pct"))]
    ActiveCurve {
        /// Surface.
        surface: String,
        /// Values given.
        found: usize,
        /// Points of the radio's curve.
        expected: usize,
    },
    /// The radio's declaration cannot be used.
    #[error("the radio's {what} cannot be used")]
    #[diagnostic(help(
        "curve points rise, two or more; the step is between 0.01 and 50 %; the limit is positive"
    ))]
    Radio {
        /// The part that is at fault.
        what: &'static str,
    },
    /// No numbers meet all conditions.
    #[error("no numbers for \"{follower}\" keep the travel rising and within the measured range")]
    #[diagnostic(help("check the numbers declared as active, or film with nothing entered"))]
    NothingFeasible {
        /// Surface that is adjusted.
        follower: String,
    },
}

fn wrong_way(reference: &str, follower: &str, declared: MatchMotion) -> String {
    let (moves, word) = match declared {
        MatchMotion::Same => ("opposite ways", "same"),
        MatchMotion::Opposite => ("the same way", "opposite"),
    };
    format!(
        "\"{reference}\" and \"{follower}\" move {moves} in this clip, but the model file declares \
         motion = \"{word}\""
    )
}

impl MatchingError {
    /// Neutral and two more: the least that separate a travel's two sides.
    pub const FEWEST_STATIONS: usize = 3;
    /// Below this a matched travel says nothing (common practice, no source).
    pub const LEAST_TRAVEL_DEG: f64 = 2.0;
}
