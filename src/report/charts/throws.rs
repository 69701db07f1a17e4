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

/// The chart of how both ends changed since the oldest measurement, which comes first. Measurements stand
/// side by side, however much time passed between them.
pub fn throws(surface: &str, measured: &[Throws], format: Format) -> String {
    let highest: Vec<Measured> = measured.iter().map(|one| one.highest_deg).collect();
    let lowest: Vec<Measured> = measured.iter().map(|one| one.lowest_deg).collect();
    let series = [
        ("highest", Mark::Disc, changes(&highest)),
        ("lowest", Mark::Square, changes(&lowest)),
    ];
    let figures = series.iter().flat_map(|(_, _, values)| values);
    let figures = figures.flat_map(|one| [one.value - one.u(), one.value + one.u()]);
    let title = format!("{surface}: change of the largest deflections since the oldest, degrees");
    let y = Axis::covering(figures, &title);
    let x = Axis::counted(measured.len(), "measurement, the oldest first");
    let looks = [SurfaceLook::of(0), SurfaceLook::of(1)];
    let legend: Vec<Entry> = (series.iter().zip(looks))
        .map(|((words, mark, _), look)| Entry::line(look.stroke(1.6), Some(*mark), *words))
        .collect();
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

/// Changes since the first, whose own change is nothing.
fn changes(values: &[Measured]) -> Vec<Measured> {
    let Some((first, later)) = values.split_first() else {
        return Vec::new();
    };
    let change = |one: &Measured| Measured::new(one.value - first.value, one.sd.hypot(first.sd));
    std::iter::once(Measured::new(0.0, 0.0))
        .chain(later.iter().map(change))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_carries_the_doubt_of_both_measurements() {
        let values = [Measured::new(20.0, 0.03), Measured::new(20.5, 0.04)];
        let changes = changes(&values);
        assert_eq!(changes[0], Measured::new(0.0, 0.0));
        assert_eq!(changes[1].value, 0.5);
        // By hand: 3, 4, 5.
        assert!((changes[1].sd - 0.05).abs() < 1e-12);
    }
}
