//! Mismatch over the travel: as found, and as predicted with the numbers entered.

use crate::matching::{Correction, StationMismatch};
use crate::report::format::Format;
use crate::report::palette::{ACCEPTED, AFTER, BEFORE};
use crate::report::plot::{Axis, Entry, Plot};
use crate::report::svg::{Fill, Mark, Stroke};

/// Height of the plot area.
fn height(format: Format) -> f64 {
    match format {
        Format::Wide => 230.0,
        Format::Narrow => 175.0,
    }
}

const FIRST: Stroke = Stroke::solid(BEFORE, 2.0);
const SECOND: Stroke = Stroke::dashed(AFTER, 2.0, "7 4");
const SECOND_BAND: Fill = Fill {
    colour: AFTER,
    opacity: 0.18,
};

/// The mismatch as found, and the prediction or the result of a second clip.
#[derive(Debug, Clone, Copy)]
pub struct Series<'a> {
    /// Label.
    pub words: &'a str,
    /// By station.
    pub stations: &'a [StationMismatch],
}

/// The chart of one correction, with the accepted band where a tolerance was declared.
pub fn mismatch(correction: &Correction, tolerance_deg: Option<f64>, format: Format) -> String {
    let found = Series {
        words: "as found",
        stations: &correction.found_deg,
    };
    let predicted = Series {
        words: match correction.common_travel() {
            [] => "predicted with the numbers",
            _ => "predicted, common travel",
        },
        stations: correction.leaves().stations,
    };
    let names = [&correction.reference, &correction.follower];
    two_mismatches(names, [found, predicted], tolerance_deg, format)
}

/// Two mismatches of one pair in one chart, the second dashed with its band of uncertainty.
pub fn two_mismatches(
    names: [&String; 2],
    series: [Series<'_>; 2],
    tolerance_deg: Option<f64>,
    format: Format,
) -> String {
    let [reference, follower] = names;
    let [first, second] = series.map(|series| by_stick(series.stations));
    let reach = tolerance_deg.unwrap_or(0.0);
    let figures = first
        .iter()
        .chain(&second)
        .flat_map(|&(_, value, u)| [value - u, value + u])
        .chain([-reach, reach]);
    let title = format!("mismatch, degrees ({follower} minus {reference})");
    let y = Axis::covering(figures, &title);
    let x = Axis::stick(first.iter().chain(&second).map(|point| point.0));
    let mut plot = Plot::new(
        &title,
        (format, height(format)),
        [x, y],
        &legend(series, tolerance_deg),
    );
    if let Some(tolerance_deg) = tolerance_deg {
        plot.accepted(-tolerance_deg, tolerance_deg, ACCEPTED);
    }
    plot.grid();
    let band: Vec<_> = second
        .iter()
        .map(|&(stick, value, u)| (stick, value - u, value + u))
        .collect();
    plot.band(&band, SECOND_BAND);
    draw(&mut plot, &second, SECOND, Mark::Square);
    draw(&mut plot, &first, FIRST, Mark::Disc);
    plot.finish()
}

fn legend(series: [Series<'_>; 2], tolerance_deg: Option<f64>) -> Vec<Entry> {
    let [first, second] = series.map(|series| series.words);
    let mut legend = vec![
        Entry::line(FIRST, Some(Mark::Disc), first),
        Entry::line(SECOND, Some(Mark::Square), second),
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
