//! What a radio does between the stick and a servo, and what was entered in it.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::Proposal;

/// The smallest step of a radio that is not declared, percent: the coarsest in use (common practice,
/// no source), so that the numbers can be entered whatever the radio.
pub(super) const DEFAULT_STEP_PCT: f64 = 1.0;
/// The limit of a radio that is not declared, percent: what nearly every radio accepts (common
/// practice, no source).
pub(super) const DEFAULT_LIMIT_PCT: f64 = 150.0;
/// The largest output of a curve where none is declared, percent: most radios cut off what is beyond
/// (common practice, no source).
pub(super) const DEFAULT_CURVE_LIMIT_PCT: f64 = 100.0;

/// Most points of a curve that are read; curves of radios have up to some 20 (common practice, no
/// source). Time and memory of matching grow with the square.
pub(crate) const MOST_CURVE_POINTS: usize = 100;

/// What the radio accepts at the servo level.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Radio {
    /// Positions of the output curve's points, rising; `None` if there is no output curve.
    pub curve_points_pct: Option<Vec<f64>>,
    /// What the curve page shows at a point, and so what is typed there.
    #[serde(default)]
    pub curve_shows: CurveShows,
    /// Largest |output| of the curve.
    #[serde(default = "default_curve_limit_pct")]
    pub curve_limit_pct: f64,
    /// Whether end points act after the curve or before it.
    #[serde(default)]
    pub end_points: EndPoints,
    /// Smallest step of any number.
    pub step_pct: f64,
    /// Largest |output| to the servo.
    pub limit_pct: f64,
    /// How points are joined.
    pub joins: Joins,
    /// Microseconds of pulse length for one percent, where the radio counts in microseconds;
    /// `None` where it counts in percent.
    #[serde(default)]
    pub us_per_pct: Option<f64>,
    /// What was already entered while the clip was taken, by surface.
    pub active: BTreeMap<String, Settings>,
    /// The measurement whose proposal these numbers are, where they were taken from one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proposed_in: Option<Proposal>,
    /// Surfaces whose servo numbers get the stick's command with its sign turned, from a mix of −100 %.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub reversed: BTreeSet<String>,
}

impl Default for Radio {
    /// A radio of which nothing is known: no curve, steps of 1 %.
    fn default() -> Self {
        Self {
            curve_points_pct: None,
            curve_shows: CurveShows::Added,
            curve_limit_pct: DEFAULT_CURVE_LIMIT_PCT,
            end_points: EndPoints::After,
            step_pct: DEFAULT_STEP_PCT,
            limit_pct: DEFAULT_LIMIT_PCT,
            joins: Joins::Straight,
            us_per_pct: None,
            active: BTreeMap::new(),
            proposed_in: None,
            reversed: BTreeSet::new(),
        }
    }
}

fn default_curve_limit_pct() -> f64 {
    DEFAULT_CURVE_LIMIT_PCT
}

impl Radio {
    /// What the curve page shows at a point of the curve for an addition there, percent.
    pub fn typed_pct(&self, point_pct: f64, added_pct: f64) -> f64 {
        match self.curve_shows {
            CurveShows::Added => added_pct,
            CurveShows::Output => point_pct + added_pct,
        }
    }

    /// The addition at a point of the curve for what the curve page shows there, percent.
    pub fn added_pct(&self, point_pct: f64, typed_pct: f64) -> f64 {
        match self.curve_shows {
            CurveShows::Added => typed_pct,
            CurveShows::Output => typed_pct - point_pct,
        }
    }

    /// Numbers of a servo that nobody has touched.
    pub fn untouched(&self) -> Settings {
        let points = self.curve_points_pct.iter().flatten();
        Settings {
            curve_pct: points.map(|&point| self.typed_pct(point, 0.0)).collect(),
            ..Settings::default()
        }
    }

    /// The additions of a curve as typed, percent; of none if it was left out.
    pub fn additions_pct(&self, curve_pct: &[f64]) -> Vec<f64> {
        let points = self.curve_points_pct.iter().flatten();
        points
            .zip(curve_pct)
            .map(|(&point, &typed)| self.added_pct(point, typed))
            .collect()
    }
}

/// What a curve page shows at a point.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CurveShows {
    /// What is added to the command there: 0 everywhere where nothing is entered.
    #[default]
    Added,
    /// What comes out of the curve there: the position itself where nothing is entered.
    Output,
}

/// Where end points act.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum EndPoints {
    /// On the curve's output.
    #[default]
    After,
    /// On the command that enters the curve.
    Before,
}

/// How the radio joins the points of its curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Joins {
    /// Straight lines.
    Straight,
    /// A monotone cubic through the points.
    Smooth,
}

/// Numbers entered at one servo. The command that reaches the servo is
/// `sub_trim + curve(s) · end_point(side) / 100`, limited last; `curve(s)` is `s` plus the joined
/// additions, limited to the curve's own limit, and `side` the sign of `curve(s)`. Where end points
/// act before the curve, it is `sub_trim + curve(s · end_point(side) / 100)`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// One number a curve point, as the curve page shows it ([`Radio::curve_shows`]); empty where the
    /// radio has no curve.
    pub curve_pct: Vec<f64>,
    /// Sub-trim.
    pub sub_trim_pct: f64,
    /// End points at −100 and at +100.
    pub end_points_pct: [f64; 2],
}

impl Default for Settings {
    /// Nothing entered: no curve, no sub-trim, end points at 100 %.
    fn default() -> Self {
        Self {
            curve_pct: Vec::new(),
            sub_trim_pct: 0.0,
            end_points_pct: [100.0, 100.0],
        }
    }
}
