//! Holds and passages in one order of time.

use crate::stations::{Approach, Holds};

/// Where the frames of a visit are listed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Place {
    /// Position in `Holds::holds`.
    Hold(usize),
    /// Position in the sweeps' passages.
    Passage(usize),
}

/// The stick at a station: resting, or passing slowly.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StationVisit {
    pub place: Place,
    pub stick_pct: f64,
    pub approach: Approach,
    pub time_s: [f64; 2],
}

impl StationVisit {
    /// Frames that measure a surface's deflection.
    pub fn frames<'a>(&self, holds: &'a Holds, surface: usize) -> &'a [usize] {
        match self.place {
            Place::Hold(hold) => &holds.holds[hold].frames,
            Place::Passage(passage) => &holds.sweeps.passages[passage].frames[surface],
        }
    }
}

/// All visits, in time.
pub(super) fn visits(holds: &Holds) -> Vec<StationVisit> {
    let at_rest = holds
        .holds
        .iter()
        .enumerate()
        .map(|(position, hold)| StationVisit {
            place: Place::Hold(position),
            stick_pct: hold.stick_pct,
            approach: hold.approach,
            time_s: hold.time_s,
        });
    let passages = holds.sweeps.passages.iter().enumerate();
    let passing = passages.map(|(position, passage)| StationVisit {
        place: Place::Passage(position),
        stick_pct: passage.stick_pct,
        approach: passage.approach,
        time_s: passage.time_s,
    });
    let mut visits: Vec<StationVisit> = at_rest.chain(passing).collect();
    // Stable: holds stay in their order, which is that of time.
    visits.sort_by(|a, b| a.time_s[0].total_cmp(&b.time_s[0]));
    visits
}
