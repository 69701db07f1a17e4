//! Neutral of one surface over the measurements of a record.

use super::over_measurements::{Series, over_measurements};
use crate::measured::Measured;
use crate::report::format::Format;
use crate::report::svg::Mark;

/// The chart of neutral in each measurement against the latest one; the oldest comes first.
pub fn neutral(surface: &str, against_latest_deg: &[Measured], format: Format) -> String {
    let title = format!("{surface}: neutral against the latest measurement, degrees");
    let series = Series {
        words: "neutral",
        mark: Mark::Disc,
        values: against_latest_deg.to_vec(),
    };
    over_measurements(&title, &[series], format)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chart_says_what_neutral_is_compared_with() {
        let against_latest_deg = [Measured::new(-0.4, 0.1), Measured::new(0.0, 0.0)];
        for format in [Format::Wide, Format::Narrow] {
            let chart = neutral("rudder", &against_latest_deg, format);
            assert!(
                chart.contains("neutral against the latest measurement"),
                "{chart}"
            );
        }
    }
}
