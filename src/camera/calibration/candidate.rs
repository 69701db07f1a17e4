//! Chooses the views that are worth calibrating from: sharp, steady, and as different as can be.

use nalgebra::Vector2;

use super::adjustment::ViewInformation;
use super::error::CalibrationError;
use super::fit::{CalibrateOptions, information};
use super::view::BoardView;
use crate::camera::{INTRINSIC_COUNT, IntrinsicsCovariance};

/// Most views that are used: from here on one more of the same kind lowers no standard deviation
/// by more than 1.3 %.
const MOST_VIEWS: usize = 40;
/// Views blurred more than this many times the median are left out (common practice, no source).
const BLUR_LIMIT: f64 = 1.5;
/// Speed of the board in the picture, px/s, up to which a rolling shutter of 20 ms, as phones
/// have, shears it by less than half a pixel.
const STEADY_PX_S: f64 = 25.0;
/// If fewer views than this are steady, the steadiest so many are used.
const ENOUGH_VIEWS: usize = 15;
/// Views whose crossings lie nearer together than this, RMS over the picture's width, are alike.
const ALIKE_SHARE: f64 = 0.02;
/// What the intrinsics are held to before the first view is chosen, over what all views tell.
const PRIOR_SHARE: f64 = 1e-6;

/// A view that could be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The view.
    pub view: BoardView,
    /// When it was taken; `None` for stills.
    pub time_s: Option<f64>,
}

/// Chooses the views to calibrate from, in the order given.
///
/// Stills are all used, unless they are blurred or more than forty: the person chose them. From a
/// clip, views are added one by one, none like another: a board at rest would tell the same, with
/// the same errors, as often as it is looked at. Each time it is the one that tells most of the
/// intrinsics beside those already chosen (D-optimal design: V. Fedorov, Theory of Optimal Experiments, 1972).
///
/// # Errors
/// The views are too few or too much alike for a first calibration.
pub fn choose_views(
    candidates: &[Candidate],
    size_px: (usize, usize),
    options: &CalibrateOptions,
) -> Result<Vec<BoardView>, CalibrationError> {
    let usable = steady(sharp(candidates));
    let views: Vec<BoardView> = usable.iter().map(|(_, seen)| seen.view.clone()).collect();
    let stills = usable.iter().all(|(_, seen)| seen.time_s.is_none());
    if stills && views.len() <= MOST_VIEWS {
        return Ok(views);
    }
    let (kept, information) = information(&views, size_px, options)?;
    let alike_px = ALIKE_SHARE * size_px.0 as f64;
    let mut chosen = most_telling(&information, |a, b| {
        distance_px(&views[kept[a]], &views[kept[b]]).is_some_and(|apart| apart < alike_px)
    });
    chosen.sort_unstable();
    Ok(chosen
        .into_iter()
        .map(|index| views[kept[index]].clone())
        .collect())
}

type Indexed<'a> = Vec<(usize, &'a Candidate)>;

fn sharp(candidates: &[Candidate]) -> Indexed<'_> {
    let mut blurs_px: Vec<f64> = candidates.iter().map(|seen| seen.view.blur_px).collect();
    blurs_px.sort_by(f64::total_cmp);
    let usual_px = blurs_px.get(blurs_px.len() / 2).copied().unwrap_or(0.0);
    candidates
        .iter()
        .enumerate()
        .filter(|(_, seen)| seen.view.blur_px <= BLUR_LIMIT * usual_px)
        .collect()
}

/// Leaves out the views of a clip in which the board moves, as long as enough are left.
fn steady(usable: Indexed<'_>) -> Indexed<'_> {
    let speeds_px_s: Vec<f64> = (0..usable.len())
        .map(|index| speed_px_s(&usable, index))
        .collect();
    let mut sorted = speeds_px_s.clone();
    sorted.sort_by(f64::total_cmp);
    let enough_px_s = sorted
        .get(ENOUGH_VIEWS.min(sorted.len()).saturating_sub(1))
        .copied()
        .unwrap_or(0.0);
    let limit_px_s = STEADY_PX_S.max(enough_px_s);
    usable
        .into_iter()
        .zip(speeds_px_s)
        .filter_map(|(seen, speed_px_s)| (speed_px_s <= limit_px_s).then_some(seen))
        .collect()
}

/// Speed of the board in the picture, from the slower of the two neighbouring looks; 0 of a still.
fn speed_px_s(usable: &Indexed<'_>, index: usize) -> f64 {
    let Some(time_s) = usable[index].1.time_s else {
        return 0.0;
    };
    let neighbours = [index.checked_sub(1), Some(index + 1)];
    let speeds = neighbours.into_iter().flatten().filter_map(|other| {
        let other = usable.get(other)?.1;
        let apart_s = (other.time_s? - time_s).abs();
        Some(distance_px(&other.view, &usable[index].1.view)? / apart_s)
    });
    speeds.fold(f64::INFINITY, f64::min)
}

/// RMS distance between the crossings that two views share.
fn distance_px(a: &BoardView, b: &BoardView) -> Option<f64> {
    let mut sum = 0.0;
    let mut count = 0_usize;
    let mut others = b.points.iter().peekable();
    // Both lists are sorted by row and column.
    for point in &a.points {
        let place = (point.row, point.column);
        while others
            .next_if(|other| (other.row, other.column) < place)
            .is_some()
        {}
        if let Some(other) = others.next_if(|other| (other.row, other.column) == place) {
            let apart: Vector2<f64> = point.in_image_px - other.in_image_px;
            sum += apart.norm_squared();
            count += 1;
        }
    }
    (count > 0).then(|| (sum / count as f64).sqrt())
}

/// Adds views one by one, each the one that raises the determinant of the information most.
fn most_telling(
    information: &[ViewInformation],
    alike: impl Fn(usize, usize) -> bool,
) -> Vec<usize> {
    // Information has the shape of the covariance that it gives.
    let information: Vec<IntrinsicsCovariance> = information
        .iter()
        .map(|view| {
            view.normal
                .fixed_view::<INTRINSIC_COUNT, INTRINSIC_COUNT>(0, 0)
                .into()
        })
        .collect();
    let total: IntrinsicsCovariance = information.iter().sum();
    let prior = total
        .diagonal()
        .map(|value| (PRIOR_SHARE * value).max(f64::MIN_POSITIVE));
    let mut sum = IntrinsicsCovariance::from_diagonal(&prior);
    let mut chosen: Vec<usize> = Vec::new();
    while chosen.len() < MOST_VIEWS {
        let candidates = (0..information.len()).filter(|&index| {
            !chosen
                .iter()
                .any(|&other| other == index || alike(other, index))
        });
        let best = candidates
            .filter_map(|index| Some((index, log_determinant(&(sum + information[index]))?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((index, _)) = best else { break };
        sum += information[index];
        chosen.push(index);
    }
    chosen
}

fn log_determinant(matrix: &IntrinsicsCovariance) -> Option<f64> {
    let lower = matrix.cholesky()?.l();
    Some((0..INTRINSIC_COUNT).map(|i| 2.0 * lower[(i, i)].ln()).sum())
}
