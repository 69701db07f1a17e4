//! The page of a calibration: one self-contained HTML file.

use askama::Template;

use super::record::PARAMETERS;
use super::{CalibrationReport, charts};
use crate::camera::calibration::Grade;
use crate::conventions::COVERAGE_FACTOR;
use crate::report::ReportError;
use crate::report::figures::plain;

/// All that the page shows, as text and drawings.
#[derive(Template)]
#[template(path = "calibration.html", config = "src/report/askama.toml")]
struct Page<'a> {
    report: &'a CalibrationReport<'a>,
    headline: String,
    verdict_class: &'static str,
    used: usize,
    dropped: usize,
    terms: String,
    objections: Vec<(String, String)>,
    parameters: Vec<ParameterRow>,
    views: Vec<ViewRow<'a>>,
    left_out: Vec<(&'a str, String)>,
    spare: Vec<String>,
    warnings: Vec<(String, String)>,
    coverage: String,
    residuals: String,
    distortion: String,
}

struct ParameterRow {
    name: &'static str,
    value: String,
    u: String,
}

struct ViewRow<'a> {
    name: &'a str,
    crossings: usize,
    dropped: usize,
    rms: String,
    tilt: String,
    distance: String,
}

/// The page as HTML.
///
/// # Errors
/// The page could not be put together.
pub fn page(report: &CalibrationReport<'_>) -> Result<String, ReportError> {
    let calibration = report.calibration;
    let (used, dropped) = report.crossings();
    let page = Page {
        report,
        headline: report.verdict.headline(),
        verdict_class: match report.verdict.grade {
            Grade::Good => "alike",
            Grade::Usable => "enter",
            Grade::FilmAgain => "care",
        },
        used,
        dropped,
        terms: report.terms_sentence(),
        objections: report
            .verdict
            .objections
            .iter()
            .map(|objection| (objection.text(), objection.mend()))
            .collect(),
        parameters: parameter_rows(report),
        views: view_rows(report),
        left_out: left_out(report),
        spare: report.spare_sentences(),
        warnings: report
            .warnings
            .iter()
            .map(|warning| (warning.text.clone(), warning.mend.clone()))
            .collect(),
        coverage: charts::coverage(calibration),
        residuals: charts::residuals(calibration),
        distortion: charts::distortion(calibration),
    };
    Ok(page.render()?)
}

fn parameter_rows(report: &CalibrationReport<'_>) -> Vec<ParameterRow> {
    let values = report.calibration.camera.intrinsics();
    let variances = report.calibration.covariance.diagonal();
    PARAMETERS
        .into_iter()
        .enumerate()
        .map(|(index, name)| {
            let u = COVERAGE_FACTOR * variances[index].sqrt();
            let (decimals, unit) = if index < 4 { (2, " px") } else { (5, "") };
            ParameterRow {
                name,
                value: format!("{}{unit}", plain(values[index], decimals)),
                u: if u > 0.0 {
                    format!("± {u:.decimals$}{unit}")
                } else {
                    "not estimated".into()
                },
            }
        })
        .collect()
}

fn view_rows<'a>(report: &CalibrationReport<'a>) -> Vec<ViewRow<'a>> {
    let views = report.calibration.views.iter();
    views
        .map(|view| ViewRow {
            name: &view.name,
            crossings: view.points.len(),
            dropped: view.dropped.len(),
            rms: format!("{:.3}", view.rms_px),
            tilt: format!("{:.0}", view.tilt_deg),
            distance: format!("{:.0}", view.distance_mm),
        })
        .collect()
}

fn left_out<'a>(report: &CalibrationReport<'a>) -> Vec<(&'a str, String)> {
    let dropped = report.calibration.dropped_views.iter();
    let dropped = dropped.map(|view| (view.name.as_str(), view.reason.words()));
    let without = report.no_view.iter();
    let without = without.map(|(name, reason)| (name.as_str(), reason.words()));
    dropped.chain(without).collect()
}
