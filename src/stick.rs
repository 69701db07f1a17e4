//! Stick positions: when two are the same, and when one is neutral.
//!
//! A position of the stick is in percent of its full travel, signed. There are two kinds of comparison. Positions
//! that the program assigned or the user declared are equal up to rounding. Positions of two clips, or of a clip
//! and a table, are the same station if they differ by less than anybody sets a stick.

/// Two declared or assigned positions are equal within this, pct; it only absorbs rounding.
const ROUNDING_PCT: f64 = 1e-6;

/// Positions of different clips or tables that differ by less are one station, pct: a thumb, a logger and a card's
/// label repeat to about this. Common practice, no source.
pub(crate) const SAME_STATION_PCT: f64 = 0.5;

/// Whether two declared or assigned positions are equal.
pub(crate) fn is_same(a_pct: f64, b_pct: f64) -> bool {
    (a_pct - b_pct).abs() < ROUNDING_PCT
}

/// Whether a declared or assigned position is neutral.
pub(crate) fn is_neutral(stick_pct: f64) -> bool {
    is_same(stick_pct, 0.0)
}

/// Whether positions of two clips or tables are one station.
pub(crate) fn is_same_station(a_pct: f64, b_pct: f64) -> bool {
    (a_pct - b_pct).abs() < SAME_STATION_PCT
}

/// The different declared or assigned positions, rising.
pub(crate) fn distinct_pct(positions_pct: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut distinct: Vec<f64> = positions_pct.collect();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup_by(|a, b| is_same(*a, *b));
    distinct
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_makes_no_new_station() {
        let third_pct = 100.0 / 3.0;
        let positions_pct = [
            50.0,
            third_pct,
            -0.0,
            0.1 + 0.2 - 0.3,
            third_pct + 1e-12,
            50.0,
        ];
        assert_eq!(distinct_pct(positions_pct.into_iter()).len(), 3);
        assert!(is_neutral(0.1 + 0.2 - 0.3) && !is_neutral(0.5));
    }

    #[test]
    fn a_station_of_another_clip_may_differ_by_a_trembling_thumb() {
        assert!(is_same_station(50.0, 50.4) && !is_same_station(50.0, 51.0));
    }
}
