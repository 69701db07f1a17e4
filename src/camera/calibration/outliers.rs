//! Outliers: rejects points and views that do not fit, and names them.

use nalgebra::{Point2, Vector2, Vector3};

use super::adjustment::{State, WeightedPoint};
use super::result::{DroppedReason, DroppedView};
use super::view::{BoardPoint, BoardView};

/// Rejection threshold for points, robust standard deviations: of a million good points (two
/// coordinates, normal errors) four are lost.
const POINT_LIMIT: f64 = 5.0;
/// Views whose RMS is this many times the median view's are dropped (common practice, no source).
const VIEW_LIMIT: f64 = 3.0;
/// Views that lose more than this share of their points are dropped.
const LOST_SHARE: f64 = 0.25;
/// Share of the points from which the scatter is estimated: as many as a good view has at least.
/// Long tails, which real boards have, then count as scatter, and only the rest stands out.
const SCATTER_SHARE: f64 = 1.0 - LOST_SHARE;

/// Views and points still in use.
#[derive(Debug, Clone)]
pub(super) struct Kept<'a> {
    pub views: Vec<KeptView<'a>>,
    /// Variance of the points beyond their own: paper that is not flat, a lens that no model
    /// fits. px².
    pub common_variance_px2: f64,
    /// Middle of all points on the board, and half the longer side of their extent, mm.
    extent_mm: (Point2<f64>, f64),
}

/// A view in use and which of its points are.
#[derive(Debug, Clone)]
pub(super) struct KeptView<'a> {
    pub view: &'a BoardView,
    /// One flag per point of the view.
    pub used: Vec<bool>,
}

impl<'a> Kept<'a> {
    pub fn all(views: Vec<&'a BoardView>) -> Self {
        let extent_mm = extent_mm(&views);
        let views = views
            .into_iter()
            .map(|view| KeptView {
                view,
                used: vec![true; view.points.len()],
            })
            .collect();
        Self {
            views,
            common_variance_px2: 0.0,
            extent_mm,
        }
    }

    /// The points in use, view by view, with their whole standard deviations.
    pub fn weighted(&self) -> Vec<Vec<WeightedPoint>> {
        let views = self.views.iter();
        views
            .map(|kept| kept.points(true).map(|point| self.weigh(point)).collect())
            .collect()
    }

    fn weigh(&self, point: &BoardPoint) -> WeightedPoint {
        let (middle_mm, half_mm) = self.extent_mm;
        let from_middle = (point.on_board_mm - middle_mm) / half_mm;
        let (x, y) = (from_middle.x, from_middle.y);
        WeightedPoint {
            on_board_mm: point.on_board_mm,
            rise: Vector3::new(x * x, x * y, y * y),
            in_image_px: point.in_image_px,
            sd_px: self.sd_px(point),
        }
    }

    /// Seen minus projected, px; `None` if the camera cannot see the point at all.
    pub fn residual_px(
        &self,
        state: &State,
        view: usize,
        point: &BoardPoint,
    ) -> Option<Vector2<f64>> {
        Some(point.in_image_px - state.project(view, &self.weigh(point))?)
    }

    pub fn point_count(&self) -> usize {
        self.views
            .iter()
            .map(|kept| kept.points(true).count())
            .sum()
    }

    fn sd_px(&self, point: &BoardPoint) -> f64 {
        (point.sd_px.powi(2) + self.common_variance_px2).sqrt()
    }
}

impl KeptView<'_> {
    /// Points that are used, or those that are not.
    pub fn points(&self, used: bool) -> impl Iterator<Item = &BoardPoint> {
        self.view
            .points
            .iter()
            .zip(&self.used)
            .filter_map(move |(point, &flag)| (flag == used).then_some(point))
    }
}

/// Rejects points and views that do not fit an adjusted state; returns whether anything changed.
pub(super) fn drop_outliers(
    kept: &mut Kept<'_>,
    state: &mut State,
    dropped: &mut Vec<DroppedView>,
) -> bool {
    let before: Vec<Vec<bool>> = kept.views.iter().map(|view| view.used.clone()).collect();
    flag_points(kept, state);
    let bad = bad_views(kept, state);
    for (index, reason) in bad.iter().rev() {
        let view = kept.views.remove(*index);
        state.camera_from_board.remove(*index);
        dropped.push(DroppedView {
            name: view.view.name.clone(),
            reason: *reason,
        });
    }
    set_common_variance(kept, state);
    let after = kept.views.iter().map(|view| &view.used);
    !bad.is_empty() || !before.iter().eq(after)
}

fn flag_points(kept: &mut Kept<'_>, state: &State) {
    let lengths: Vec<Vec<f64>> = kept
        .views
        .iter()
        .enumerate()
        .map(|(index, view)| {
            let points = view.view.points.iter();
            points
                .map(|point| {
                    kept.residual_px(state, index, point)
                        .map_or(f64::INFINITY, |residual| {
                            residual.norm() / kept.sd_px(point)
                        })
                })
                .collect()
        })
        .collect();
    let usual = scatter(lengths.iter().flatten().copied().collect());
    for (view, lengths) in kept.views.iter_mut().zip(lengths) {
        // A picture that was read less well scatters more, which makes none of its points wrong.
        let scale = scatter(lengths.clone()).max(usual);
        for (used, length) in view.used.iter_mut().zip(lengths) {
            *used = length <= POINT_LIMIT * scale;
        }
    }
}

fn bad_views(kept: &Kept<'_>, state: &State) -> Vec<(usize, DroppedReason)> {
    let rms_px: Vec<f64> = (0..kept.views.len())
        .map(|index| rms_of_view(kept, state, index))
        .collect();
    let usual_px = quantile(rms_px.clone(), 0.5);
    let mut bad = Vec::new();
    for (index, view) in kept.views.iter().enumerate() {
        let lost = view.points(false).count() as f64 / view.view.points.len() as f64;
        if rms_px[index] > VIEW_LIMIT * usual_px || lost > LOST_SHARE {
            // Few points of such a view remain, so report the RMS of all of them.
            let all = view.view.points.iter();
            let squares = all.filter_map(|point| kept.residual_px(state, index, point));
            let rms_px = root_mean_square(squares.map(|residual| residual.norm_squared()));
            bad.push((index, DroppedReason::FitsBadly { rms_px, usual_px }));
        }
    }
    bad
}

/// RMS of the points in use of one view.
pub(super) fn rms_of_view(kept: &Kept<'_>, state: &State, index: usize) -> f64 {
    let points = kept.views[index].points(true);
    let residuals = points.filter_map(|point| kept.residual_px(state, index, point));
    root_mean_square(residuals.map(|residual| residual.norm_squared()))
}

/// Root of the mean squared distance over all points in use.
pub(super) fn rms_px(kept: &Kept<'_>, state: &State) -> f64 {
    let views = kept.views.iter().enumerate();
    let residuals = views.flat_map(|(index, view)| {
        view.points(true)
            .filter_map(move |point| kept.residual_px(state, index, point))
    });
    root_mean_square(residuals.map(|residual| residual.norm_squared()))
}

/// Residuals beyond the points' own standard deviations count for all points equally, so that a
/// very precise crossing does not outweigh the effect of the paper.
fn set_common_variance(kept: &mut Kept<'_>, state: &State) {
    let mut squares = Vec::new();
    let mut own = Vec::new();
    for (index, view) in kept.views.iter().enumerate() {
        for point in view.points(true) {
            if let Some(residual) = kept.residual_px(state, index, point) {
                squares.push(residual.norm_squared() / 2.0);
                own.push(point.sd_px.powi(2));
            }
        }
    }
    let seen = root_mean_square(squares.into_iter()).powi(2);
    let own = root_mean_square(own.into_iter()).powi(2);
    kept.common_variance_px2 = (seen - own).max(0.0);
}

fn root_mean_square(squares: impl Iterator<Item = f64>) -> f64 {
    let (count, sum) = squares.fold((0_usize, 0.0), |(count, sum), square| {
        (count + 1, sum + square)
    });
    (sum / count.max(1) as f64).sqrt()
}

/// Standard deviation of either coordinate, from the lengths of residuals.
///
/// The share p of the lengths of normal vectors in the plane stays below σ √(−2 ln(1 − p))
/// (Rayleigh's distribution).
fn scatter(lengths: Vec<f64>) -> f64 {
    quantile(lengths, SCATTER_SHARE) / (-2.0 * (1.0 - SCATTER_SHARE).ln()).sqrt()
}

/// The quantile of the values at this share; 0 of an empty list.
fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let index = (values.len() as f64 * share) as usize;
    values.get(index).copied().unwrap_or(0.0)
}

/// Middle of the points on the board, and half their longer side.
fn extent_mm(views: &[&BoardView]) -> (Point2<f64>, f64) {
    let points = views.iter().flat_map(|view| &view.points);
    let (mut low, mut high) = (Vector2::repeat(f64::MAX), Vector2::repeat(f64::MIN));
    for point in points {
        low = low.inf(&point.on_board_mm.coords);
        high = high.sup(&point.on_board_mm.coords);
    }
    let half_mm = (high - low).max() / 2.0;
    (Point2::from((low + high) / 2.0), half_mm)
}
