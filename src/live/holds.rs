//! The holds of a session.

use super::stations::Stations;
use crate::motion::Figures;
use crate::tags::SightedFrame;

/// Frames of a hold that are kept; more make its mean no better, since a rest repeats its errors.
const MOST_FRAMES: usize = 30;
/// Holds of a session; with all of them it takes some ten megabytes.
pub(super) const MOST_HOLDS: usize = 200;

/// Frames of a rest, and where the surfaces are in them.
#[derive(Debug, Clone)]
pub(super) struct Level {
    /// In time.
    pub frames: Vec<SightedFrame>,
    /// The mean deflections by the present constants.
    pub figures: Option<Figures>,
}

impl Level {
    /// First and last time, s; `None` without a frame.
    pub fn time_s(&self) -> Option<[f64; 2]> {
        Some([self.frames.first()?.time_s, self.frames.last()?.time_s])
    }
}

/// A rest that was kept.
#[derive(Debug, Clone)]
pub(super) struct Hold {
    pub stick_pct: f64,
    pub by_hand: bool,
    /// In time.
    pub frames: Vec<SightedFrame>,
    /// One frame in so many is kept while the rest goes on.
    every: usize,
    offered: usize,
    /// The mean deflections by the present constants.
    pub figures: Option<Figures>,
    /// The stations before it, for taking it back.
    pub stations_before: Stations,
}

impl Hold {
    pub fn new((stick_pct, by_hand): (f64, bool), level: Level, stations_before: Stations) -> Self {
        let mut hold = Self {
            stick_pct,
            by_hand,
            frames: Vec::new(),
            every: 1,
            offered: 0,
            figures: level.figures,
            stations_before,
        };
        for frame in level.frames {
            hold.go_on(frame);
        }
        hold
    }

    /// Takes in a further frame of the rest.
    pub fn go_on(&mut self, frame: SightedFrame) {
        if self.offered.is_multiple_of(self.every) {
            self.frames.push(frame);
        }
        self.offered += 1;
        if self.frames.len() > MOST_FRAMES {
            let mut place = 0;
            self.frames.retain(|_| {
                place += 1;
                place % 2 == 1
            });
            self.every *= 2;
        }
    }

    /// Leaves out frames after a time, s, as long as some are left.
    pub fn end_at(&mut self, time_s: f64) {
        let left = self.frames.partition_point(|frame| frame.time_s <= time_s);
        self.frames.truncate(left.max(1));
    }

    /// First and last time, s.
    pub fn time_s(&self) -> [f64; 2] {
        let time = |frame: Option<&SightedFrame>| frame.map_or(f64::NAN, |frame| frame.time_s);
        [time(self.frames.first()), time(self.frames.last())]
    }
}
