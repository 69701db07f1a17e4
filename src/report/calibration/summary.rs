//! The result of a calibration for a terminal: the verdict first, then its reasons.

use super::CalibrationReport;
use super::record::PARAMETERS;
use crate::conventions::COVERAGE_FACTOR;

/// Pictures named one by one before the rest is only counted.
const MOST_NAMED: usize = 8;

/// The result in plain text.
pub fn summary(report: &CalibrationReport<'_>) -> String {
    let calibration = report.calibration;
    let (used, dropped) = report.crossings();
    let mut lines = vec![
        format!("Camera profile {:?}", report.name),
        report.verdict.headline(),
    ];
    for objection in &report.verdict.objections {
        lines.push(format!("! {}", objection.text()));
        lines.push(format!("  what helps: {}", objection.mend()));
    }
    lines.push(String::new());
    let dropped = match dropped {
        0 => String::new(),
        more => format!(" ({more} more dropped)"),
    };
    lines.push(format!(
        "{} views, {used} corners of the board{dropped}, typical error {:.3} px",
        calibration.views.len(),
        calibration.rms_px
    ));
    lines.push(parameters_line(report));
    lines.push(report.terms_sentence());
    if let Some(layout) = report.layout {
        lines.push(format!("board's layout: {}", layout.words()));
    }
    lines.extend(left_out(report));
    for warning in report.warnings {
        lines.push(format!("! {}", warning.text));
        lines.push(format!("  what helps: {}", warning.mend));
    }
    lines.join("\n")
}

fn parameters_line(report: &CalibrationReport<'_>) -> String {
    let values = report.calibration.camera.intrinsics();
    let variances = report.calibration.covariance.diagonal();
    let figures = PARAMETERS
        .iter()
        .zip(values.iter().zip(variances.iter()))
        .take(4)
        .map(|(name, (value, variance))| {
            let u = COVERAGE_FACTOR * variance.sqrt();
            format!("{name} {value:.2} ± {u:.2}")
        });
    format!(
        "focal length and centre: {} px",
        figures.collect::<Vec<_>>().join(", ")
    )
}

/// Views, corners and pictures that were not used, with the reason.
fn left_out(report: &CalibrationReport<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    for view in &report.calibration.views {
        if !view.dropped.is_empty() {
            let corners: Vec<String> = view
                .dropped
                .iter()
                .map(|corner| format!("{}/{}", corner.point.column, corner.point.row))
                .collect();
            lines.push(format!(
                "dropped in {}: corners (column/row) {}",
                view.name,
                corners.join(", ")
            ));
        }
    }
    for view in &report.calibration.dropped_views {
        lines.push(format!(
            "view dropped: {}, {}",
            view.name,
            view.reason.words()
        ));
    }
    for (name, reason) in report.no_view.iter().take(MOST_NAMED) {
        lines.push(format!("no view in {name}: {}", reason.words()));
    }
    if let Some(more) = report.no_view.len().checked_sub(MOST_NAMED + 1) {
        lines.push(format!("no view in {} more pictures", more + 1));
    }
    lines.extend(report.spare_sentences());
    lines
}
