//! Overexposed tags: clipped white must not make the black look smaller or larger.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use hingewise::clip::{Frame, GreyImage};
use hingewise::progress::Silent;
use hingewise::tags::{PictureFault, TagPlan, sight};

use crate::support::full_range::full_range_clip;
use crate::support::picture::{Drawing, Lens, render};
use crate::support::random::Random;

const SIDE_PX: usize = 90;
const TAG: u32 = 10;
const EDGE_PX: f64 = 38.0;
const PICTURES: usize = 24;

/// Growth of the black square's corners allowed, px: what `tests/corners.rs` allows of well exposed ones.
const GROWTH_PX: f64 = 0.02;

type Corners = [[f64; 2]; 4];

fn corners_px(random: &mut Random) -> Corners {
    let (sin, cos) = (0.4 * (random.unit() - 0.5)).sin_cos();
    let middle = [random.unit(), random.unit()].map(|part| SIDE_PX as f64 / 2.0 + part);
    let half = EDGE_PX / 2.0;
    [[-half, -half], [half, -half], [half, half], [-half, half]]
        .map(|[x, y]| [middle[0] + x * cos - y * sin, middle[1] + x * sin + y * cos])
}

/// Mean growth of the corners outwards, px, and what spoils the pictures.
fn growth(white_light: f64) -> (f64, Option<PictureFault>) {
    let mut random = Random::new(3);
    let truth: Vec<Corners> = (0..PICTURES).map(|_| corners_px(&mut random)).collect();
    let lens = Lens {
        white_light,
        ..Lens::SHARP
    };
    let frame = |(index, corners_px): (usize, &Corners)| Frame {
        index,
        time_s: index as f64,
        image: GreyImage {
            width_px: SIDE_PX,
            height_px: SIDE_PX,
            pixels: render(
                &Drawing::official(TAG),
                corners_px,
                [SIDE_PX; 2],
                &lens,
                index as u64 + 1,
            )
            .into(),
        },
    };
    let clip = full_range_clip([SIDE_PX; 2]);
    let plan = TagPlan {
        expected: BTreeSet::from([TAG]),
        ..TagPlan::default()
    };
    let frames: Vec<Frame> = truth.iter().enumerate().map(frame).collect();
    let sightings = sight(frames.into_iter().map(Ok), &clip, &plan, &Silent).unwrap();
    let mut growths = vec![];
    for (frame, truth) in sightings.frames.iter().zip(&truth) {
        let Some(sighting) = frame.sighting(TAG) else {
            continue;
        };
        let centre = [0, 1].map(|axis| truth.iter().map(|corner| corner[axis]).sum::<f64>() / 4.0);
        for (corner, truth) in sighting.corners_px.iter().zip(truth) {
            let outwards = [truth[0] - centre[0], truth[1] - centre[1]];
            let off = [corner.x - truth[0], corner.y - truth[1]];
            let along = off[0] * outwards[0] + off[1] * outwards[1];
            growths.push(along / outwards[0].hypot(outwards[1]));
        }
    }
    assert!(
        growths.len() > 4 * PICTURES * 3 / 4,
        "{} corners",
        growths.len()
    );
    let fault = sightings.overview.pictures[&TAG].fault();
    (growths.iter().sum::<f64>() / growths.len() as f64, fault)
}

#[test]
fn corners_stay_where_they_are_when_white_is_clipped() {
    let (growth_px, fault) = growth(Lens::SHARP.white_light);
    println!("well exposed {growth_px:.3} px");
    assert_eq!(fault, None);
    assert!(growth_px.abs() < GROWTH_PX, "{growth_px}");
    for white_light in [1.3, 1.8] {
        let (growth_px, fault) = growth(white_light);
        println!("white {white_light}: {growth_px:.3} px");
        assert_eq!(fault, Some(PictureFault::Overexposed));
        assert!(growth_px.abs() < GROWTH_PX, "{white_light}: {growth_px}");
    }
}
