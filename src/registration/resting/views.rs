//! Views of all tags in a clip in which the surfaces rest: one, or several.

use nalgebra::{DMatrix, Point2};

use crate::clip::ClipInfo;
use crate::motion::{Corners, ReadLines, slope};
use crate::statistics::median;
use crate::tags::{SightedFrame, Sighting};

/// Coordinates of a tag's corners.
pub(super) const TAG_ROWS: usize = 8;
/// Tags that wander less than this rest before a still camera, px.
const STILL_PX: f64 = 0.5;
/// Number of views of a clip in which the camera moves. Lasting errors of the corners are the same in
/// all views, so more views would add little.
const VIEWS: usize = 12;
/// As many frames of a rest count as independent: most of a corner's error lasts through a rest.
const INDEPENDENT_FRAMES: f64 = 10.0;
/// Variance of a median over that of a mean, of normal errors: π/2.
const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;

/// One picture of all tags that are used.
pub(super) struct View {
    pub corners_px: Vec<[Point2<f64>; 4]>,
    /// Variance of the noise of every coordinate, px²: one block a tag.
    pub noise_px2: Vec<DMatrix<f64>>,
    /// How every coordinate follows the time in which the camera reads a picture, px/s.
    pub by_readout: Vec<f64>,
}

/// One view of tags that rest in front of a still camera; otherwise some frames, each as its own view.
pub(super) fn views(ids: &[u32], frames: &[&SightedFrame], clip: &ClipInfo) -> Vec<View> {
    let middles: Vec<[Point2<f64>; 4]> = ids.iter().map(|&id| median_corners(id, frames)).collect();
    let is_still = ids
        .iter()
        .zip(&middles)
        .all(|(&id, middle_px)| wander_px(id, frames, middle_px) < STILL_PX);
    if is_still {
        return vec![still_view(ids, frames, middles)];
    }
    let count = frames.len().min(VIEWS);
    let chosen = (0..count).map(|view| (2 * view + 1) * frames.len() / (2 * count));
    chosen
        .map(|position| {
            let frame = frames[position];
            let seen: Vec<&Sighting> = ids.iter().filter_map(|&id| frame.sighting(id)).collect();
            View {
                corners_px: seen.iter().map(|seen| seen.corners_px).collect(),
                noise_px2: seen.iter().map(|seen| noise_px2(seen)).collect(),
                by_readout: by_readout(ids, frames, position, clip),
            }
        })
        .collect()
}

/// All sightings of a tag.
fn of_tag<'a>(id: u32, frames: &[&'a SightedFrame]) -> impl Iterator<Item = &'a Sighting> {
    frames.iter().filter_map(move |frame| frame.sighting(id))
}

/// The median of each corner of a tag over all frames.
fn median_corners(id: u32, frames: &[&SightedFrame]) -> [Point2<f64>; 4] {
    std::array::from_fn(|corner| {
        let coordinate = |axis: usize| {
            let seen = of_tag(id, frames);
            median(seen.map(|seen| seen.corners_px[corner][axis])).unwrap_or(0.0)
        };
        Point2::new(coordinate(0), coordinate(1))
    })
}

/// How far a tag is usually from its middle place: its farthest corner.
fn wander_px(id: u32, frames: &[&SightedFrame], middle_px: &[Point2<f64>; 4]) -> f64 {
    let off = |seen: &Sighting| {
        let pairs = seen.corners_px.iter().zip(middle_px);
        pairs.map(|(a, b)| (a - b).norm()).fold(0.0, f64::max)
    };
    median(of_tag(id, frames).map(off)).unwrap_or(0.0)
}

/// All frames as one view with the median corners.
fn still_view(ids: &[u32], frames: &[&SightedFrame], middles: Vec<[Point2<f64>; 4]>) -> View {
    let independent = (frames.len() as f64).min(INDEPENDENT_FRAMES);
    let inflation = if frames.len() < 3 {
        1.0
    } else {
        MEDIAN_VARIANCE
    };
    let noise = |id: u32| {
        let mut sum = DMatrix::zeros(TAG_ROWS, TAG_ROWS);
        of_tag(id, frames).for_each(|seen| sum += noise_px2(seen));
        sum * (inflation / (frames.len() as f64 * independent))
    };
    View {
        corners_px: middles,
        noise_px2: ids.iter().map(|&id| noise(id)).collect(),
        by_readout: vec![0.0; TAG_ROWS * ids.len()],
    }
}

/// How corners are displaced by each second in which a moving camera reads a picture: the later a line,
/// the further it has moved (as in the joint fit).
fn by_readout(ids: &[u32], frames: &[&SightedFrame], position: usize, clip: &ClipInfo) -> Vec<f64> {
    let lines = ReadLines::of(clip);
    let place = |id: u32, frame: usize| {
        let frame = frames.get(frame)?;
        Some((frame.time_s, rows_of(&frame.sighting(id)?.corners_px)))
    };
    let of_tag = |&id: &u32| {
        let before = position.checked_sub(1).and_then(|before| place(id, before));
        let here = place(id, position);
        let speed = here.and_then(|here| slope(here, [before, place(id, position + 1)]));
        let (speed, (_, here)) = (speed.unwrap_or_default(), here.unwrap_or_default());
        (0..TAG_ROWS).map(move |row| {
            let corner_px = here.fixed_rows::<2>(row / 2 * 2).into_owned();
            speed[row] * lines.share(&corner_px)
        })
    };
    ids.iter().flat_map(of_tag).collect()
}

/// The corners of a tag in the order of its rows.
pub(super) fn rows_of(corners_px: &[Point2<f64>; 4]) -> Corners {
    Corners::from_fn(|row, _| corners_px[row / 2].coords[row % 2])
}

fn noise_px2(seen: &Sighting) -> DMatrix<f64> {
    DMatrix::from_fn(TAG_ROWS, TAG_ROWS, |row, column| {
        f64::from(seen.covariance_px2[(row, column)])
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::{Levels, Lines, Transfer};
    use crate::tags::CornerCovariance;

    const TAG: u32 = 10;

    fn clip() -> ClipInfo {
        ClipInfo {
            path: "level.mp4".into(),
            width_px: 1920,
            height_px: 1080,
            levels: Levels {
                black: 16,
                white: 235,
            },
            transfer: Transfer::Power,
            lines: Lines::Rows,
            claimed_frames: None,
        }
    }

    /// A tag whose upper edge is in a line at a time, and that moves by 60 px/s to the right.
    fn frame(time_s: f64, line_px: f64) -> SightedFrame {
        let x_px = 500.0 + 60.0 * time_s;
        let corner = |x: f64, y: f64| Point2::new(x_px + x, line_px + y);
        SightedFrame {
            index: (30.0 * time_s) as usize,
            time_s,
            sightings: vec![Sighting {
                tag_id: TAG,
                corners_px: [
                    corner(0.0, 0.0),
                    corner(40.0, 0.0),
                    corner(40.0, 27.0),
                    corner(0.0, 27.0),
                ],
                covariance_px2: CornerCovariance::identity(),
            }],
            dropped: vec![],
            landmarks: vec![],
        }
    }

    /// How x of the upper left and of the lower right corner follow the readout in the middle one of three
    /// frames, px/s.
    fn of_corners(step_s: f64, line_px: f64) -> [f64; 2] {
        let frames: Vec<SightedFrame> = (0..3)
            .map(|frame_number| frame(step_s * f64::from(frame_number), line_px))
            .collect();
        let frames: Vec<&SightedFrame> = frames.iter().collect();
        let by_readout = by_readout(&[TAG], &frames, 1, &clip());
        [by_readout[0], by_readout[4]]
    }

    #[test]
    fn a_corner_follows_the_readout_by_its_distance_from_the_middle_line() {
        // Lines 539 and 540 are read half a line before and after the middle of 1080 lines, so a corner
        // between their centres is read in the middle. 27 lines later is a fortieth of the picture.
        let [upper, lower] = of_corners(1.0 / 30.0, 539.5);
        assert!(upper.abs() < 1e-9, "{upper}");
        assert!((lower - 60.0 / 40.0).abs() < 1e-9, "{lower}");
    }

    #[test]
    fn frames_far_apart_do_not_show_how_fast_a_corner_moves() {
        assert_eq!(of_corners(0.5, 100.0), [0.0, 0.0]);
    }
}
