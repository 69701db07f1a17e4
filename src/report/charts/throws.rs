//! The largest deflections of one surface over the measurements of an aircraft.

use crate::measured::Measured;
use crate::report::format::Format;
use crate::report::palette::SurfaceLook;
use crate::report::plot::{Axis, Entry, Plot};
use crate::report::svg::Mark;

/// Height of the plot area.
const HEIGHT: f64 = 170.0;

/// The deflections of a surface at both ends of its travel, in one measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throws {
    /// The highest, towards trailing edge up (left for upright surfaces).
    pub highest_deg: Measured,
    /// The lowest.
    pub lowest_deg: Measured,
}

/// The chart, oldest measurement first. Measurements stand side by side, whatever time lies between.
pub fn throws(surface: &str, measured: &[Throws], format: Format) -> String {
    let series = [
        (
            "highest",
            Mark::Disc,
            measured
                .iter()
                .map(|one| one.highest_deg)
                .collect::<Vec<_>>(),
        ),
        (
            "lowest",
            Mark::Square,
            measured.iter().map(|one| one.lowest_deg).collect(),
        ),
    ];
    let figures = series.iter().flat_map(|(_, _, values)| values);
    let figures = figures.flat_map(|one| [one.value - one.u(), one.value + one.u()]);
    let y = Axis::covering(figures, "largest deflections, degrees");
    let last = measured.len().max(2) as f64;
    let x = Axis::covering([1.0, last], "measurement, the oldest first");
    let looks = [SurfaceLook::of(0), SurfaceLook::of(1)];
    let legend: Vec<Entry> = (series.iter().zip(looks))
        .map(|((words, mark, _), look)| Entry::line(look.stroke(1.6), Some(*mark), *words))
        .collect();
    let title = format!("largest deflections of the {surface} over its measurements");
    let mut plot = Plot::new(&title, (format, HEIGHT), [x, y], &legend);
    plot.grid();
    for ((_, mark, values), look) in series.iter().zip(looks) {
        let points = || (1_u32..).map(f64::from).zip(values);
        let line: Vec<(f64, f64)> = points().map(|(at, one)| (at, one.value)).collect();
        plot.curve(&line, look.stroke(1.6));
        for (at, one) in points() {
            plot.measured((at, one.value), one.u(), *mark, look.colour);
        }
    }
    plot.finish()
}
