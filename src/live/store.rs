//! The sightings that a session keeps: a bounded number of them, however long it lasts.
//!
//! Frames in which surfaces move show the hinges; frames at rest hardly add to them. So both have a store of
//! their own. A full store drops every second run of frames of its older half, so that the newest frames are all
//! there, and older ones are the fewer the older they are. Runs stay whole, since the fit takes the speed of a tag
//! from neighbouring frames. The frames of holds are kept with the holds.

use crate::tags::SightedFrame;

/// Frames with motion: thirty seconds of them at 30 a second before the first are dropped.
const MOST_MOVING: usize = 900;
/// Frames at rest.
const MOST_RESTING: usize = 300;
/// Length of a run of frames that stays whole, s.
const RUN_S: f64 = 0.3;
/// At rest, for so long all frames are kept …
const REST_WHOLE_S: f64 = 0.5;
/// … and then one in so long, s.
const REST_EVERY_S: f64 = 1.0;

/// Frames further apart than this show no motion between them, s.
const LONGEST_STEP_S: f64 = 0.2;

/// Sightings in time.
#[derive(Debug, Default)]
pub(super) struct Store {
    moving: Vec<SightedFrame>,
    resting: Vec<SightedFrame>,
    rests_since_s: Option<f64>,
    /// Frames with motion that were ever stored.
    moved: usize,
    /// How long surfaces moved in all, s.
    moved_s: f64,
}

impl Store {
    /// Stores a frame, or leaves it out where it would add nothing.
    pub fn add(&mut self, frame: &SightedFrame, moves: bool) {
        if moves {
            self.rests_since_s = None;
            self.moved += 1;
            let latest_s = self.moving.last().map_or(frame.time_s, |last| last.time_s);
            self.moved_s += (frame.time_s - latest_s).min(LONGEST_STEP_S);
            self.moving.push(frame.clone());
            thin(&mut self.moving, MOST_MOVING);
            return;
        }
        let since_s = *self.rests_since_s.get_or_insert(frame.time_s);
        let latest_s = self.resting.last().map(|last| last.time_s);
        let whole = frame.time_s - since_s <= REST_WHOLE_S;
        if whole || latest_s.is_none_or(|latest_s| frame.time_s - latest_s >= REST_EVERY_S) {
            self.resting.push(frame.clone());
            thin(&mut self.resting, MOST_RESTING);
        }
    }

    /// How many frames with motion were ever stored.
    pub fn moved(&self) -> usize {
        self.moved
    }

    /// How long surfaces moved in all, s.
    pub fn moved_s(&self) -> f64 {
        self.moved_s
    }

    /// All frames that are stored.
    pub fn frames(&self) -> impl Iterator<Item = &SightedFrame> {
        self.moving.iter().chain(&self.resting)
    }
}

/// Drops every second run of the older half, if there are more frames than allowed.
fn thin(frames: &mut Vec<SightedFrame>, most: usize) {
    if frames.len() <= most {
        return;
    }
    let newer = frames.split_off(frames.len() / 2);
    let (mut run, mut begun_s, mut last_s) = (0_usize, f64::MIN, f64::MIN);
    frames.retain(|frame| {
        if frame.time_s - begun_s > RUN_S || frame.time_s - last_s > RUN_S {
            run += 1;
            begun_s = frame.time_s;
        }
        last_s = frame.time_s;
        run.is_multiple_of(2)
    });
    frames.extend(newer);
}

/// Frames in time, each once.
pub(super) fn in_time<'a>(frames: impl Iterator<Item = &'a SightedFrame>) -> Vec<&'a SightedFrame> {
    let mut sorted: Vec<&SightedFrame> = frames.collect();
    sorted.sort_by_key(|frame| frame.index);
    sorted.dedup_by_key(|frame| frame.index);
    sorted
}

/// Some of the frames, in runs of neighbours, so that no more than `most` are left.
pub(super) fn thinned<T>(frames: Vec<T>, most: usize, run: usize) -> Vec<T> {
    let every = frames.len().div_ceil(most).max(1);
    let is_taken = |place: &usize| (place / run).is_multiple_of(every);
    let places = frames.into_iter().enumerate();
    places
        .filter(|(place, _)| is_taken(place))
        .map(|(_, frame)| frame)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(index: usize) -> SightedFrame {
        SightedFrame {
            index,
            time_s: index as f64 / 30.0,
            sightings: vec![],
            dropped: vec![],
            landmarks: vec![],
        }
    }

    #[test]
    fn an_hour_of_frames_is_kept_in_bounds_and_the_newest_are_all_there() {
        let mut store = Store::default();
        for index in 0..3600 * 30 {
            store.add(&frame(index), true);
        }
        let kept: Vec<usize> = store.frames().map(|frame| frame.index).collect();
        assert!(kept.len() <= MOST_MOVING, "{}", kept.len());
        let newest = 3600 * 30 - MOST_MOVING / 2;
        assert_eq!(
            kept.iter().filter(|index| **index >= newest).count(),
            MOST_MOVING / 2
        );
        assert!(kept[0] < newest, "some older ones as well");
    }

    #[test]
    fn a_long_rest_takes_no_place_from_motion() {
        let mut store = Store::default();
        for index in 0..60 {
            store.add(&frame(index), true);
        }
        for index in 60..30 * 600 {
            store.add(&frame(index), false);
        }
        assert_eq!(store.moving.len(), 60);
        assert!(store.resting.len() <= MOST_RESTING);
    }

    #[test]
    fn runs_stay_whole_when_frames_are_left_out() {
        let left = thinned((0..100).collect(), 50, 8);
        assert!(left.len() <= 56);
        assert_eq!(left[..9], [0, 1, 2, 3, 4, 5, 6, 7, 16]);
    }
}
