//! A response curve as a table, which the search looks up quickly.

/// Spacing of the table's entries, % of servo travel.
const TABLE_PCT: f64 = 0.05;

/// A function tabulated so finely that straight lines serve: a millionth of a degree for any
/// linkage. The search looks it up some hundred thousand times.
#[derive(Debug, Clone)]
pub(super) struct CurveTable {
    first_pct: f64,
    spacing_pct: f64,
    values: Vec<f64>,
}

impl CurveTable {
    pub fn new(range_pct: [f64; 2], function: impl Fn(f64) -> f64) -> Self {
        let width = range_pct[1] - range_pct[0];
        let count = (width / TABLE_PCT).ceil().max(1.0);
        let spacing_pct = width / count;
        Self {
            first_pct: range_pct[0],
            spacing_pct,
            values: (0..=count as usize)
                .map(|i| function(range_pct[0] + i as f64 * spacing_pct))
                .collect(),
        }
    }

    /// Value at a command; beyond the ends that of the end.
    pub fn value(&self, command_pct: f64) -> f64 {
        let last = self.values.len() - 1;
        let at = ((command_pct - self.first_pct) / self.spacing_pct).clamp(0.0, last as f64);
        let left = (at as usize).min(last - 1);
        self.values[left] + (at - left as f64) * (self.values[left + 1] - self.values[left])
    }
}
