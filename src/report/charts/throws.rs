//! The largest deflections of one surface over the measurements of an aircraft.

use super::over_measurements::{Series, over_measurements};
use crate::measured::Measured;
use crate::report::format::Format;
use crate::report::svg::Mark;

/// The deflections of a surface at both ends of its travel, in one measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throws {
    /// The highest, towards trailing edge up (left for upright surfaces).
    pub highest_deg: Measured,
    /// The lowest.
    pub lowest_deg: Measured,
}

/// The chart of how both ends changed since the oldest measurement, which comes first.
pub fn throws(surface: &str, measured: &[Throws], format: Format) -> String {
    let highest: Vec<Measured> = measured.iter().map(|one| one.highest_deg).collect();
    let lowest: Vec<Measured> = measured.iter().map(|one| one.lowest_deg).collect();
    let title = format!("{surface}: change of the largest deflections since the oldest, degrees");
    let series = [
        Series {
            words: "highest",
            mark: Mark::Disc,
            values: changes(&highest),
        },
        Series {
            words: "lowest",
            mark: Mark::Square,
            values: changes(&lowest),
        },
    ];
    over_measurements(&title, &series, format)
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
