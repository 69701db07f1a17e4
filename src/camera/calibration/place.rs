//! Which views show the board in the same place.
//!
//! A board at rest repeats its errors (paper, shutter, coding) in every view, so views of one place
//! count as one observation when views are compared.

use nalgebra::Vector2;

use super::adjustment::ViewInformation;
use super::view::BoardView;

/// Views whose crossings are closer together than this, RMS over the picture's width, show one
/// place.
pub(in crate::camera) const ALIKE_SHARE: f64 = 0.02;

/// The place of each view, numbered from 0 in the order of their first views.
pub(super) fn places(views: &[&BoardView], width_px: usize) -> Vec<usize> {
    let alike_px = ALIKE_SHARE * width_px as f64;
    let mut firsts: Vec<&BoardView> = Vec::new();
    let mut places = Vec::with_capacity(views.len());
    for view in views {
        let known = firsts
            .iter()
            .position(|first| distance_px(first, view).is_some_and(|apart| apart < alike_px));
        places.push(known.unwrap_or(firsts.len()));
        if known.is_none() {
            firsts.push(view);
        }
    }
    places
}

/// Number of different places.
pub(super) fn count(places: &[usize]) -> usize {
    places.iter().max().map_or(0, |last| last + 1)
}

/// Information of all views of a place together, one entry a place.
pub(super) fn gathered(views: &[ViewInformation], places: &[usize]) -> Vec<ViewInformation> {
    let mut gathered: Vec<Option<ViewInformation>> = vec![None; count(places)];
    for (view, place) in views.iter().zip(places) {
        let sum = &mut gathered[*place];
        *sum = Some(match *sum {
            Some(sum) => ViewInformation {
                normal: sum.normal + view.normal,
                gradient: sum.gradient + view.gradient,
                cost: sum.cost + view.cost,
            },
            None => *view,
        });
    }
    gathered.into_iter().flatten().collect()
}

/// RMS distance between the crossings that two views share.
pub(in crate::camera) fn distance_px(a: &BoardView, b: &BoardView) -> Option<f64> {
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
