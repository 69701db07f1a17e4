//! Finds airframe tags that move against the surroundings.
//!
//! Whatever the camera does, everything at rest moves in the picture by few motions: three turns
//! and three shifts of the camera, each spot by its own share of them (C. Tomasi and T. Kanade, "Shape
//! and motion from image streams under orthography", IJCV 9 (1992) 137). So the path of a tag that
//! stands still is a weighted sum of a few paths which all landmarks have in common. A tag on a moving
//! part has something left: what the part does.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{DMatrix, DVector, Vector2};

use crate::geometry::quadrilateral::centre;
use crate::model_file::ModelFile;
use crate::motion::{DeclarationWarning, MotionError, MotionWarning};
use crate::statistics::{inner_ends, median};
use crate::tags::{SightedFrame, Sighting, Sightings};

/// Frames that are looked at, at most.
const ENOUGH_FRAMES: usize = 240;
/// … and at least: the common paths are fitted to each tag's own.
const FEWEST_FRAMES: usize = 40;
/// Landmarks are needed for the camera's six motions, two coordinates each, and some to spare.
const FEWEST_LANDMARKS: usize = 6;
/// Largest share of the frames that may be given up so that all chosen landmarks are in each remaining frame.
const MOST_FRAMES_LOST: f64 = 0.4;
/// The camera's motions to first order, and the strongest products of two of them.
const MOST_PATHS: usize = 10;
/// Paths that move the landmarks by less are their noise, px (root mean square of a coordinate).
const LEAST_PATH_PX: f64 = 0.15;
/// A landmark whose residual about the others' paths is larger is not a fixed spot, px …
const LANDMARK_OFF_PX: f64 = 1.5;
/// … or so many times further off than most.
const LANDMARK_OFF_FACTOR: f64 = 4.0;

/// A tag stays where it is in the picture if it wanders less than this, px.
const STAYS_PX: f64 = 0.5;
/// A tag moves if its path has more left than this, px, …
const MOVES_PX: f64 = 2.0;
/// … more than this share of the largest residual of a surface's tag, since an aircraft that rocks by half a degree with its
/// surfaces moves all of its tags by a third of that …
const MOVES_SHARE: f64 = 0.45;
/// … and follows them: at least this correlation with the surface that it follows most.
const FOLLOWS: f64 = 0.8;

/// Leaves out airframe tags that move with the surfaces, and warns of them.
///
/// # Errors
/// All airframe tags move.
pub(in crate::motion) fn leave_out_moving(
    sightings: &Sightings,
    model: &mut ModelFile,
    warnings: &mut Vec<MotionWarning>,
) -> Result<(), MotionError> {
    let moving = moving_tags(sightings, model);
    if let Some(tag_id) = moving.first().copied()
        && moving.len() == model.airframe_tags.len()
    {
        return Err(MotionError::AirframeTagMoves { tag_id });
    }
    model.airframe_tags.retain(|tag| !moving.contains(&tag.id));
    let tags = moving.into_iter();
    let left_out = tags.map(|tag_id| DeclarationWarning::AirframeTagMoves { tag_id });
    warnings.extend(left_out.map(MotionWarning::Declaration));
    Ok(())
}

/// Tags of `model`'s airframe that move with its surfaces; empty where nothing shows it.
fn moving_tags(sightings: &Sightings, model: &ModelFile) -> BTreeSet<u32> {
    let still = still_tags(sightings, model);
    if !still.is_empty() {
        return beside_still_tags(sightings, model, &still);
    }
    let Some(Paths { frames, common }) = Paths::of(sightings) else {
        return BTreeSet::new();
    };
    let left = |tag_id: u32| left_of(&path_of_tag(&frames, tag_id), &common);
    let surfaces = model.surfaces.iter().map(|surface| surface.tag_id);
    let surfaces: Vec<Left> = surfaces.filter_map(left).collect();
    let largest_px = surfaces.iter().map(|left| left.rms_px).fold(0.0, f64::max);
    let airframe = model.airframe_tags.iter().map(|tag| tag.id);
    airframe
        .filter(|tag_id| {
            left(*tag_id).is_some_and(|of_tag| {
                let follows = surfaces.iter().map(|surface| of_tag.correlation(surface));
                of_tag.rms_px > MOVES_PX.max(MOVES_SHARE * largest_px)
                    && follows.fold(0.0, f64::max) > FOLLOWS
            })
        })
        .collect()
}

/// Airframe tags that move while another one stays where it is in the picture: a camera that moves would
/// move both.
fn beside_still_tags(
    sightings: &Sightings,
    model: &ModelFile,
    still: &BTreeSet<u32>,
) -> BTreeSet<u32> {
    let airframe = model.airframe_tags.iter().map(|tag| tag.id);
    airframe
        .filter(|tag_id| !still.contains(tag_id))
        .filter(|tag_id| wander_px(sightings, *tag_id).is_some_and(|px| px > MOVES_PX))
        .collect()
}

/// Airframe tags that stay where they are in the picture.
fn still_tags(sightings: &Sightings, model: &ModelFile) -> BTreeSet<u32> {
    let airframe = model.airframe_tags.iter().map(|tag| tag.id);
    airframe
        .filter(|tag_id| wander_px(sightings, *tag_id).is_some_and(|px| px < STAYS_PX))
        .collect()
}

/// How far a tag wanders in the picture, between the inner ends of its places.
fn wander_px(sightings: &Sightings, tag_id: u32) -> Option<f64> {
    let seen = sightings
        .frames
        .iter()
        .filter_map(|frame| frame.sighting(tag_id));
    let places: Vec<Vector2<f64>> = seen.map(centre_px).collect();
    if places.len() < FEWEST_FRAMES {
        return None;
    }
    let span = |axis: usize| {
        let mut along: Vec<f64> = places.iter().map(|place| place[axis]).collect();
        along.sort_by(f64::total_cmp);
        inner_ends(&along).map(|[low, high]| high - low)
    };
    Some(span(0)?.hypot(span(1)?))
}

/// The paths that everything at rest has in common.
struct Paths<'a> {
    /// Frames in which every chosen landmark was found.
    frames: Vec<&'a SightedFrame>,
    /// Orthonormal columns, one row a frame; the first is constant.
    common: DMatrix<f64>,
}

impl<'a> Paths<'a> {
    /// Of the landmarks; `None` if there are too few.
    fn of(sightings: &'a Sightings) -> Option<Self> {
        let (frames, landmarks) = chosen(sightings)?;
        let mut paths: Vec<DMatrix<f64>> = landmarks
            .iter()
            .map(|number| path_of_landmark(&frames, *number))
            .collect::<Option<_>>()?;
        loop {
            let off_px: Vec<f64> = (0..paths.len())
                .map(|index| {
                    let others = paths
                        .iter()
                        .enumerate()
                        .filter(|(other, _)| *other != index);
                    let others: Vec<&DMatrix<f64>> = others.map(|(_, path)| path).collect();
                    rms(&without(&paths[index], &common_paths(&others)))
                })
                .collect();
            let usual_px = median(off_px.iter().copied())?;
            let limit_px = LANDMARK_OFF_PX.max(LANDMARK_OFF_FACTOR * usual_px);
            let worst = (0..off_px.len()).max_by(|a, b| off_px[*a].total_cmp(&off_px[*b]))?;
            if off_px[worst] <= limit_px {
                break;
            }
            paths.remove(worst);
            if paths.len() < FEWEST_LANDMARKS {
                return None;
            }
        }
        let common = common_paths(&paths.iter().collect::<Vec<_>>());
        Some(Self { frames, common })
    }
}

/// Landmarks and the frames that show all of them: those that are found most, as long as they
/// have enough frames in common.
fn chosen(sightings: &Sightings) -> Option<(Vec<&SightedFrame>, Vec<u32>)> {
    let followed: Vec<&SightedFrame> = sightings
        .frames
        .iter()
        .filter(|frame| !frame.landmarks.is_empty())
        .collect();
    let every = followed.len().div_ceil(ENOUGH_FRAMES).max(1);
    let mut frames: Vec<&SightedFrame> = followed.into_iter().step_by(every).collect();
    let mut found: BTreeMap<u32, usize> = BTreeMap::new();
    for landmark in frames.iter().flat_map(|frame| &frame.landmarks) {
        *found.entry(landmark.number).or_default() += 1;
    }
    let mut found: Vec<(u32, usize)> = found.into_iter().collect();
    found.sort_by_key(|(number, count)| (std::cmp::Reverse(*count), *number));
    let least = ((1.0 - MOST_FRAMES_LOST) * frames.len() as f64).max(FEWEST_FRAMES as f64) as usize;
    let mut landmarks = vec![];
    for (number, _) in found {
        let with: Vec<&SightedFrame> = frames
            .iter()
            .filter(|frame| place_px(frame, number).is_some())
            .copied()
            .collect();
        if with.len() >= least {
            frames = with;
            landmarks.push(number);
        }
    }
    (landmarks.len() >= FEWEST_LANDMARKS).then_some((frames, landmarks))
}

fn place_px(frame: &SightedFrame, landmark: u32) -> Option<Vector2<f64>> {
    let mut landmarks = frame.landmarks.iter();
    let seen = landmarks.find(|seen| seen.number == landmark)?;
    Some(seen.place_px.coords.cast())
}

/// x and y of a landmark, one row a frame.
fn path_of_landmark(frames: &[&SightedFrame], landmark: u32) -> Option<DMatrix<f64>> {
    let places = frames.iter().map(|frame| place_px(frame, landmark));
    let places: Vec<Vector2<f64>> = places.collect::<Option<_>>()?;
    Some(DMatrix::from_fn(places.len(), 2, |row, axis| {
        places[row][axis]
    }))
}

/// Orthonormal paths that the given ones are made of, strongest first, after a constant one.
fn common_paths(paths: &[&DMatrix<f64>]) -> DMatrix<f64> {
    let rows = paths.first().map_or(0, |path| path.nrows());
    let constant = DMatrix::from_element(rows, 1, (rows.max(1) as f64).sqrt().recip());
    let columns = paths.iter().flat_map(|path| path.column_iter());
    let columns: Vec<DVector<f64>> = columns
        .map(|column| column.add_scalar(-column.mean()))
        .collect();
    if columns.is_empty() {
        return constant;
    }
    let all = DMatrix::from_columns(&columns);
    let eigen = all.tr_mul(&all).symmetric_eigen();
    let mut order: Vec<usize> = (0..columns.len()).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
    let least = LEAST_PATH_PX.powi(2) * rows as f64;
    let strong = order
        .into_iter()
        .filter(|index| eigen.eigenvalues[*index] > least);
    let mut common = vec![constant.column(0).into_owned()];
    for index in strong.take(MOST_PATHS) {
        common.push(&all * eigen.eigenvectors.column(index) / eigen.eigenvalues[index].sqrt());
    }
    DMatrix::from_columns(&common)
}

/// The residual of a path about the common ones.
fn without(path: &DMatrix<f64>, common: &DMatrix<f64>) -> DMatrix<f64> {
    path - common * common.tr_mul(path)
}

/// The residual of a tag's path about the common ones.
struct Left {
    /// Of a coordinate, root mean square.
    rms_px: f64,
    /// Along the direction in which most is left, by frame; `None` where the tag was not seen.
    along_px: Vec<Option<f64>>,
}

impl Left {
    /// |correlation| of what is left of two tags.
    fn correlation(&self, other: &Self) -> f64 {
        let pairs = self.along_px.iter().zip(&other.along_px);
        let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
        for (a, b) in pairs.filter_map(|(a, b)| Some(((*a)?, (*b)?))) {
            ab += a * b;
            aa += a * a;
            bb += b * b;
        }
        if aa * bb > 0.0 {
            ab.abs() / (aa * bb).sqrt()
        } else {
            0.0
        }
    }
}

/// Centre of a tag, by frame.
fn path_of_tag(frames: &[&SightedFrame], tag_id: u32) -> Vec<Option<Vector2<f64>>> {
    let seen = frames.iter().map(|frame| frame.sighting(tag_id));
    seen.map(|seen| seen.map(centre_px)).collect()
}

fn centre_px(sighting: &Sighting) -> Vector2<f64> {
    centre(&sighting.corners_px).coords
}

/// `None` if the tag was seen too seldom.
fn left_of(path: &[Option<Vector2<f64>>], common: &DMatrix<f64>) -> Option<Left> {
    let seen: Vec<usize> = (0..path.len()).filter(|row| path[*row].is_some()).collect();
    if seen.len() < FEWEST_FRAMES {
        return None;
    }
    let places = DMatrix::from_fn(seen.len(), 2, |row, axis| {
        path[seen[row]].map_or(0.0, |place| place[axis])
    });
    let rows = common.select_rows(&seen);
    let shares = rows.tr_mul(&rows).cholesky()?.solve(&rows.tr_mul(&places));
    let left = places - rows * shares;
    let eigen = left.tr_mul(&left).symmetric_eigen();
    let most = eigen.eigenvalues.imax();
    let along = &left * eigen.eigenvectors.column(most);
    let mut along_px = vec![None; path.len()];
    for (row, frame) in seen.iter().enumerate() {
        along_px[*frame] = Some(along[row]);
    }
    Some(Left {
        rms_px: rms(&left),
        along_px,
    })
}

fn rms(values: &DMatrix<f64>) -> f64 {
    (values.norm_squared() / values.len().max(1) as f64).sqrt()
}
