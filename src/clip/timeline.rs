//! Strictly rising presentation times, rebuilt from their neighbours where a file has none.

use std::collections::VecDeque;

/// How many frames without a usable time are held back until the next good time comes. Isolated
/// gaps are the rule; the bound keeps memory flat when a file has no times at all.
const MOST_HELD: usize = 8;

/// A time this far from the first frame's, seconds, is a fault of the file: no camera films for
/// eleven days. Below it, adding an interval to a time cannot be lost in rounding.
const LATEST_S: f64 = 1e6;

/// Puts frames on a time axis that starts at 0 and rises strictly.
///
/// A frame whose time is missing, repeated or falling waits for the next good time and is then
/// placed evenly between its neighbours.
pub(super) struct Timeline<T> {
    /// The container's word on the time between frames, for where no neighbour helps.
    nominal_interval_s: Option<f64>,
    last_interval_s: Option<f64>,
    /// Container time that counts as 0.
    origin_s: Option<f64>,
    last_time_s: Option<f64>,
    held: VecDeque<T>,
    placed: VecDeque<(f64, T)>,
    rebuilt: usize,
    first_rebuilt_s: f64,
}

/// Frames have no times, and no rate is known to place them by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NoTimes;

impl<T> Timeline<T> {
    pub(super) fn new(nominal_interval_s: Option<f64>) -> Self {
        Self {
            nominal_interval_s,
            last_interval_s: None,
            origin_s: None,
            last_time_s: None,
            held: VecDeque::new(),
            placed: VecDeque::new(),
            rebuilt: 0,
            first_rebuilt_s: 0.0,
        }
    }

    /// Counts times from the clip's first frame, also where that one is damaged.
    pub(super) fn begin(&mut self, container_s: Option<f64>) {
        let nothing_yet = self.last_time_s.is_none() && self.held.is_empty();
        if let Some(container_s) = container_s.filter(|time| time.is_finite())
            && nothing_yet
        {
            self.origin_s.get_or_insert(container_s);
        }
    }

    /// Adds the next frame in the order of presentation, with its container time if it has one.
    pub(super) fn push(&mut self, container_s: Option<f64>, frame: T) -> Result<(), NoTimes> {
        let Some(container_s) = container_s.filter(|time| time.is_finite()) else {
            return self.hold(frame);
        };
        let time_s = match self.origin_s {
            Some(origin_s) => container_s - origin_s,
            None => {
                let time_s = self.time_of_first_good()?;
                self.origin_s = Some(container_s - time_s);
                time_s
            }
        };
        if time_s > LATEST_S || self.last_time_s.is_some_and(|last_s| time_s <= last_s) {
            return self.hold(frame);
        }
        self.place_held_before(time_s);
        self.place(time_s, frame);
        Ok(())
    }

    /// Signals the last frame, so that frames still held are placed.
    pub(super) fn finish(&mut self) -> Result<(), NoTimes> {
        while !self.held.is_empty() {
            self.place_oldest_held()?;
        }
        Ok(())
    }

    /// The next frame whose time, seconds from the first one, is settled.
    pub(super) fn pop(&mut self) -> Option<(f64, T)> {
        self.placed.pop_front()
    }

    /// The container time that counts as 0; `None` before the first good time.
    pub(super) fn origin_s(&self) -> Option<f64> {
        self.origin_s
    }

    /// How many times were rebuilt, and where the first of them lies; `None` if none.
    pub(super) fn rebuilt(&self) -> Option<(usize, f64)> {
        (self.rebuilt > 0).then_some((self.rebuilt, self.first_rebuilt_s))
    }

    /// The time of the last frame placed, seconds.
    pub(super) fn last_time_s(&self) -> Option<f64> {
        self.last_time_s
    }

    /// The latest time between two frames, seconds.
    pub(super) fn interval_s(&self) -> Option<f64> {
        self.last_interval_s.or(self.nominal_interval_s)
    }

    /// Frames without times may have come before the first good time.
    fn time_of_first_good(&self) -> Result<f64, NoTimes> {
        let waiting = self.held.len() as f64;
        match self.last_time_s {
            None if self.held.is_empty() => Ok(0.0),
            None => Ok(waiting * self.interval_s().ok_or(NoTimes)?),
            Some(last_s) => Ok(last_s + (waiting + 1.0) * self.interval_s().ok_or(NoTimes)?),
        }
    }

    fn hold(&mut self, frame: T) -> Result<(), NoTimes> {
        self.held.push_back(frame);
        if self.held.len() > MOST_HELD {
            self.place_oldest_held()?;
        }
        Ok(())
    }

    fn place_held_before(&mut self, time_s: f64) {
        let parts = self.held.len() as f64;
        let (start_s, step_s, first) = match self.last_time_s {
            Some(last_s) => (last_s, (time_s - last_s) / (parts + 1.0), 1),
            None => (0.0, time_s / parts.max(1.0), 0),
        };
        for (position, frame) in std::mem::take(&mut self.held).into_iter().enumerate() {
            self.place_rebuilt(start_s + step_s * (position + first) as f64, frame);
        }
    }

    fn place_oldest_held(&mut self) -> Result<(), NoTimes> {
        let time_s = match self.last_time_s {
            None => 0.0,
            Some(last_s) => last_s + self.interval_s().ok_or(NoTimes)?,
        };
        if let Some(frame) = self.held.pop_front() {
            self.place_rebuilt(time_s, frame);
        }
        Ok(())
    }

    fn place_rebuilt(&mut self, time_s: f64, frame: T) {
        if self.rebuilt == 0 {
            self.first_rebuilt_s = time_s;
        }
        self.rebuilt += 1;
        self.place(time_s, frame);
    }

    fn place(&mut self, time_s: f64, frame: T) {
        if let Some(last_s) = self.last_time_s {
            self.last_interval_s = Some(time_s - last_s);
        }
        self.last_time_s = Some(time_s);
        self.placed.push_back((time_s, frame));
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn placed(nominal_s: Option<f64>, times: &[Option<f64>]) -> Result<Vec<f64>, NoTimes> {
        let mut timeline = Timeline::new(nominal_s);
        for &time in times {
            timeline.push(time, ())?;
        }
        timeline.finish()?;
        Ok(std::iter::from_fn(|| timeline.pop())
            .map(|(time_s, ())| time_s)
            .collect())
    }

    #[test]
    fn good_times_are_kept_and_counted_from_the_first() {
        let times = placed(None, &[Some(10.0), Some(10.5), Some(10.75)]);
        assert_eq!(times, Ok(vec![0.0, 0.5, 0.75]));
    }

    #[test]
    fn missing_repeated_and_falling_times_lie_between_their_neighbours() {
        let times = placed(None, &[Some(1.0), None, Some(0.5), Some(1.0), Some(5.0)]);
        assert_eq!(times, Ok(vec![0.0, 1.0, 2.0, 3.0, 4.0]));
    }

    #[test]
    fn a_time_beyond_all_reason_counts_as_missing() {
        let times = placed(None, &[Some(0.0), Some(1.0), Some(1e9), Some(3.0)]);
        assert_eq!(times, Ok(vec![0.0, 1.0, 2.0, 3.0]));
    }

    #[test]
    fn frames_at_either_end_go_on_in_the_known_interval() {
        let times = placed(Some(0.5), &[None, Some(3.0), Some(3.25), Some(0.0)]);
        assert_eq!(times, Ok(vec![0.0, 0.5, 0.75, 1.0]));
    }

    #[test]
    fn a_long_gap_does_not_hold_back_more_frames_than_allowed() {
        let mut timeline = Timeline::new(Some(0.1));
        for _ in 0..100 {
            timeline.push(None, ()).expect("the rate is known");
            while timeline.pop().is_some() {}
            assert!(timeline.held.len() <= MOST_HELD);
        }
        assert_eq!(timeline.rebuilt().map(|(count, _)| count), Some(92));
    }

    #[test]
    fn no_times_and_no_rate_is_told() {
        assert_eq!(placed(None, &[None, None]), Err(NoTimes));
    }

    proptest! {
        #[test]
        fn times_always_rise_and_no_frame_is_lost(
            times in prop::collection::vec(prop::option::of(-10.0..10.0f64), 0..60)
        ) {
            let placed = placed(Some(0.04), &times).expect("the rate is known");
            prop_assert_eq!(placed.len(), times.len());
            prop_assert!(placed.first().is_none_or(|&first| first == 0.0));
            prop_assert!(placed.windows(2).all(|pair| pair[0] < pair[1]));
        }
    }
}
