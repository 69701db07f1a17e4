//! The result of a calibration as JSON.

use serde::Serialize;

use super::CalibrationReport;
use crate::camera::calibration::{self, Objection};
use crate::measured::Measured;
use crate::warning::WarningText;

/// Names of the parameters, in the order of every vector and matrix of them.
pub(super) const PARAMETERS: [&str; 9] = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];

/// The JSON of `calibrate --json`, identified by `format` and `version`.
#[derive(Debug, Serialize)]
pub struct CalibrationRecord<'a> {
    format: &'static str,
    version: u32,
    name: &'a str,
    clip: &'a str,
    width_px: usize,
    height_px: usize,
    verdict: &'static str,
    /// Expanded uncertainty (k = 2) that the profile alone adds to a deflection of 30°.
    u_of_30_deg: f64,
    objections: Vec<Doubt>,
    places: usize,
    rms_px: f64,
    parameters: Vec<Parameter>,
    distortion_terms: &'static str,
    trials: Vec<Trial>,
    board_layout: Option<&'static str>,
    board_bend_mm: [f64; 3],
    views: Vec<View<'a>>,
    dropped_views: Vec<Named<'a>>,
    no_view: Vec<Named<'a>>,
    spare_views: usize,
    spare: Vec<Named<'a>>,
    warnings: Vec<WarningText>,
}

#[derive(Debug, Serialize)]
struct Doubt {
    text: String,
    mend: String,
}

#[derive(Debug, Serialize)]
struct Parameter {
    name: &'static str,
    #[serde(flatten)]
    measured: Measured,
}

#[derive(Debug, Serialize)]
struct Trial {
    terms: &'static str,
    rms_px: f64,
    f: f64,
    outcome: String,
}

#[derive(Debug, Serialize)]
struct View<'a> {
    name: &'a str,
    rms_px: f64,
    tilt_deg: f64,
    distance_mm: f64,
    crossings: usize,
    dropped: Vec<[usize; 2]>,
}

#[derive(Debug, Serialize)]
struct Named<'a> {
    name: &'a str,
    reason: String,
}

impl<'a> CalibrationRecord<'a> {
    /// The record of a calibration.
    pub fn of(report: &CalibrationReport<'a>) -> Self {
        let calibration = report.calibration;
        Self {
            format: "hingewise.calibration",
            version: 1,
            name: report.name,
            clip: report.clip,
            width_px: calibration.size_px.0,
            height_px: calibration.size_px.1,
            verdict: report.verdict.grade.words(),
            u_of_30_deg: report.verdict.u_of_30_deg,
            objections: report.verdict.objections.iter().map(Doubt::of).collect(),
            places: calibration.places,
            rms_px: calibration.rms_px,
            parameters: parameters(report),
            distortion_terms: calibration.terms.words(),
            trials: calibration.trials.iter().map(Trial::of).collect(),
            board_layout: report.layout.map(|layout| layout.words()),
            board_bend_mm: calibration.bend_mm.into(),
            views: calibration.views.iter().map(View::of).collect(),
            dropped_views: calibration
                .dropped_views
                .iter()
                .map(|view| Named::new(&view.name, view.reason.words()))
                .collect(),
            no_view: report
                .no_view
                .iter()
                .map(|(name, reason)| Named::new(name, reason.words()))
                .collect(),
            spare_views: report.chosen.spare.len(),
            spare: report
                .chosen
                .spare
                .iter()
                .map(|(name, reason)| Named::new(name, reason.words()))
                .collect(),
            warnings: report.warnings.to_vec(),
        }
    }
}

impl Doubt {
    fn of(objection: &Objection) -> Self {
        Self {
            text: objection.text(),
            mend: objection.mend(),
        }
    }
}

impl Trial {
    fn of(trial: &calibration::TermsTrial) -> Self {
        Self {
            terms: trial.terms.words(),
            rms_px: trial.rms_px,
            f: trial.f_value,
            outcome: trial.outcome.words(),
        }
    }
}

impl<'a> Named<'a> {
    fn new(name: &'a str, reason: impl Into<String>) -> Self {
        Self {
            name,
            reason: reason.into(),
        }
    }
}

impl<'a> View<'a> {
    fn of(view: &'a calibration::CalibratedView) -> Self {
        Self {
            name: &view.name,
            rms_px: view.rms_px,
            tilt_deg: view.tilt_deg,
            distance_mm: view.distance_mm,
            crossings: view.points.len(),
            dropped: view
                .dropped
                .iter()
                .map(|corner| [corner.point.column, corner.point.row])
                .collect(),
        }
    }
}

fn parameters(report: &CalibrationReport<'_>) -> Vec<Parameter> {
    let values = report.calibration.camera.intrinsics();
    let variances = report.calibration.covariance.diagonal();
    PARAMETERS
        .into_iter()
        .zip(values.iter().zip(variances.iter()))
        .map(|(name, (&value, &variance))| Parameter {
            name,
            measured: Measured::new(value, variance.sqrt()),
        })
        .collect()
}
