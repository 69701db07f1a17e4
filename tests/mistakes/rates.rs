//! Rates: pictures that follow each other slowly are all searched.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use hingewise::clip::{Frame, GreyImage};
use hingewise::progress::Silent;
use hingewise::tags::{TagPlan, sight};

use crate::support::full_range::full_range_clip;
use crate::support::picture::{Drawing, Lens, render};
use crate::support::random::Random;

const SIZE_PX: [usize; 2] = [480, 320];
const TAG: u32 = 10;
/// Declared, and nowhere to be seen.
const ABSENT: u32 = 11;
const EDGE_PX: f64 = 40.0;
const STILLS: usize = 24;

/// Stills of a tag that is somewhere else in each; the time is in seconds from one to the next.
fn frames(interval_s: f64) -> Vec<Frame> {
    let mut random = Random::new(7);
    let mut place = |side_px: usize| 40.0 + (side_px as f64 - 80.0 - EDGE_PX) * random.unit();
    (0..STILLS)
        .map(|index| {
            let (left, top) = (place(SIZE_PX[0]), place(SIZE_PX[1]));
            let (right, bottom) = (left + EDGE_PX, top + EDGE_PX);
            let corners_px = [[left, top], [right, top], [right, bottom], [left, bottom]];
            let drawing = Drawing::official(TAG);
            let pixels = render(
                &drawing,
                &corners_px,
                SIZE_PX,
                &Lens::SHARP,
                index as u64 + 1,
            );
            Frame {
                index,
                time_s: index as f64 * interval_s,
                image: GreyImage {
                    width_px: SIZE_PX[0],
                    height_px: SIZE_PX[1],
                    pixels: pixels.into(),
                },
            }
        })
        .collect()
}

fn seen(interval_s: f64) -> usize {
    let clip = full_range_clip(SIZE_PX);
    let plan = TagPlan {
        expected: BTreeSet::from([TAG, ABSENT]),
        ..TagPlan::default()
    };
    let frames = frames(interval_s).into_iter().map(Ok);
    let sightings = sight(frames, &clip, &plan, &Silent).unwrap();
    let frames = sightings.frames.iter();
    frames.filter(|frame| frame.sighting(TAG).is_some()).count()
}

#[test]
fn every_single_still_is_searched() {
    assert_eq!(seen(1.0), STILLS);
    // In a video the same would be a tag that is lost in most frames, and searches are spared.
    assert!(seen(1.0 / 240.0) < STILLS);
}
