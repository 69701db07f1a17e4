//! Figures of one surface in each measurement of an aircraft, side by side.

use crate::measured::Measured;
use crate::report::format::Format;
use crate::report::palette::SurfaceLook;
use crate::report::plot::{Axis, Entry, Plot};
use crate::report::svg::Mark;

/// Height of the plot area.
const HEIGHT: f64 = 170.0;

/// Figures of one kind, degrees; the oldest measurement comes first.
pub(super) struct Series {
    pub words: &'static str,
    pub mark: Mark,
    pub values: Vec<Measured>,
}

/// Measurements stand side by side, however much time passed between them.
pub(super) fn over_measurements(title: &str, series: &[Series], format: Format) -> String {
    let figures = series.iter().flat_map(|one| &one.values);
    let figures = figures.flat_map(|one| [one.value - one.u(), one.value + one.u()]);
    let y = Axis::covering(figures, title);
    let count = series.iter().map(|one| one.values.len()).max();
    let x = Axis::counted(count.unwrap_or_default(), "measurement, the oldest first");
    let looks = || (0..).map(SurfaceLook::of);
    let legend: Vec<Entry> = (series.iter().zip(looks()))
        .map(|(one, look)| Entry::line(look.stroke(1.6), Some(one.mark), one.words))
        .collect();
    let mut plot = Plot::new(title, (format, HEIGHT), [x, y], &legend);
    plot.grid();
    for (one, look) in series.iter().zip(looks()) {
        let points = || (1_u32..).map(f64::from).zip(&one.values);
        let line: Vec<(f64, f64)> = points().map(|(at, value)| (at, value.value)).collect();
        plot.curve(&line, look.stroke(1.6));
        for (at, value) in points() {
            plot.measured((at, value.value), value.u(), one.mark, look.colour);
        }
    }
    plot.finish()
}
