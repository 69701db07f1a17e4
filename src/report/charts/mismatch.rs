//! Mismatch over the travel: as found, and as predicted with the numbers entered.

use crate::matching::{Correction, StationMismatch};
use crate::report::palette::{ACCEPTED, AFTER, BEFORE};
use crate::report::plot::{Axis, Entry, Plot};
use crate::report::svg::{Fill, Mark, Stroke};

const HEIGHT: f64 = 230.0;
const FOUND: Stroke = Stroke::solid(BEFORE, 2.0);
const PREDICTED: Stroke = Stroke::dashed(AFTER, 2.0, "7 4");
const PREDICTED_BAND: Fill = Fill {
    colour: AFTER,
    opacity: 0.18,
};

/// The chart of one correction, with the accepted band where a tolerance was declared.
pub fn mismatch(correction: &Correction, tolerance_deg: Option<f64>) -> String {
    let found = by_stick(&correction.found_deg);
    let predicted = by_stick(&correction.predicted_deg.stations);
    let reach = tolerance_deg.unwrap_or(0.0);
    let figures = found
        .iter()
        .chain(&predicted)
        .flat_map(|&(_, value, u)| [value - u, value + u])
        .chain([-reach, reach]);
    let title = format!(
        "mismatch, degrees ({} minus {})",
        correction.follower, correction.reference
    );
    let y = Axis::covering(figures, &title);
    let x = Axis::stick(found.iter().chain(&predicted).map(|point| point.0));
    let mut plot = Plot::new(&title, HEIGHT, [x, y], &legend(tolerance_deg));
    if let Some(tolerance_deg) = tolerance_deg {
        plot.accepted(-tolerance_deg, tolerance_deg, ACCEPTED);
    }
    plot.grid();
    let band: Vec<_> = predicted
        .iter()
        .map(|&(stick, value, u)| (stick, value - u, value + u))
        .collect();
    plot.band(&band, PREDICTED_BAND);
    draw(&mut plot, &predicted, PREDICTED, Mark::Square);
    draw(&mut plot, &found, FOUND, Mark::Disc);
    plot.finish()
}

fn legend(tolerance_deg: Option<f64>) -> Vec<Entry> {
    let mut legend = vec![
        Entry::line(FOUND, Some(Mark::Disc), "as found"),
        Entry::line(PREDICTED, Some(Mark::Square), "with the numbers, predicted"),
    ];
    if tolerance_deg.is_some() {
        legend.push(Entry::patch(ACCEPTED, "accepted"));
    }
    legend
}

/// Stick, mismatch and its expanded uncertainty, by rising stick.
fn by_stick(stations: &[StationMismatch]) -> Vec<(f64, f64, f64)> {
    let mut points: Vec<_> = stations
        .iter()
        .map(|station| {
            let mismatch_deg = station.mismatch_deg;
            (station.stick_pct, mismatch_deg.value, mismatch_deg.u())
        })
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

fn draw(plot: &mut Plot, points: &[(f64, f64, f64)], stroke: Stroke, mark: Mark) {
    let line: Vec<_> = points.iter().map(|&(x, y, _)| (x, y)).collect();
    plot.curve(&line, stroke);
    for &(x, y, u) in points {
        plot.measured((x, y), u, mark, stroke.colour);
    }
}
