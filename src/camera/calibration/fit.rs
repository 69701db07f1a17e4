//! Calibrates a camera from views of a board: start, adjustment, outliers, and the terms that the
//! views support.

use nalgebra::{Isometry3, Matrix3, Point2, Point3, Vector2, Vector3};

use super::adjustment::{State, ViewInformation};
use super::error::CalibrationError;
use super::ladder::{Chosen, Scene, adjust, choose_terms};
use super::outliers::{Kept, drop_outliers, rms_of_view, rms_px};
use super::place::{self, places};
use super::result::{CalibratedView, Calibration, DroppedReason, DroppedView, PointResidual};
use super::start::{first_camera, first_pose};
use super::terms::{BoardShape, DistortionTerms};
use super::view::{BoardView, FEWEST_CROSSINGS};
use crate::conventions::deg_from_rad;
use crate::geometry::homography;
use crate::solver::Loss;

/// Residuals beyond this many standard deviations pull with constant force while outliers are
/// still among the points (Huber's usual 1.345 is for one coordinate and 95 % efficiency).
const HUBER_WIDTH: f64 = 2.0;
/// Rounds of dropping outliers; two are usual.
const OUTLIER_ROUNDS: usize = 5;
/// Tilt that at least one view must reach for the focal length to show.
const SMALLEST_TILT_DEG: f64 = 10.0;

/// How to calibrate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CalibrateOptions {
    /// Distortion terms to estimate; `None`: as many as the views support.
    pub terms: Option<DistortionTerms>,
    /// Shape of the board; `None`: flat, unless its bend is significant and moves the camera.
    pub shape: Option<BoardShape>,
    /// Fewest views to calibrate from; while the program chooses the terms, fewest places as well.
    pub fewest_views: usize,
    /// Treatment of points that do not fit.
    pub outliers: Outliers,
}

/// Treatment of points and views that do not fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outliers {
    /// They are dropped, and named.
    Drop,
    /// They are kept: for comparison with programs that do not reject outliers.
    Keep,
}

impl Default for CalibrateOptions {
    /// Terms that the views support, from six views at least: fewer hardly check one another.
    fn default() -> Self {
        Self {
            terms: None,
            shape: None,
            fewest_views: 6,
            outliers: Outliers::Drop,
        }
    }
}

/// Calibrates a camera from views of a board.
///
/// # Errors
/// The views are too few, all square-on, or too much alike.
pub fn calibrate(
    views: &[BoardView],
    size_px: (usize, usize),
    options: &CalibrateOptions,
) -> Result<Calibration, CalibrationError> {
    let cleaned = cleaned(views, size_px, options)?;
    check_tilt(&cleaned.state)?;
    let kept = &cleaned.kept;
    let boards: Vec<&BoardView> = kept.views.iter().map(|kept| kept.view).collect();
    let places = places(&boards, size_px.0);
    enough_places(&places, options)?;
    let scene = Scene {
        kept,
        places: &places,
        size_px,
    };
    let chosen = choose_terms(scene, &cleaned.state, (options.terms, options.shape))?;
    Ok(described(size_px, &cleaned.kept, chosen, cleaned.dropped))
}

/// Information of each view on the intrinsics, with the views' positions in the list.
pub(super) fn information(
    views: &[BoardView],
    size_px: (usize, usize),
    options: &CalibrateOptions,
) -> Result<(Vec<usize>, Vec<ViewInformation>), CalibrationError> {
    let Cleaned { kept, state, .. } = cleaned(views, size_px, options)?;
    let terms = options.terms.unwrap_or(DistortionTerms::All);
    let adjusted = adjust(&kept, state, (terms, BoardShape::Flat), Loss::Quadratic)
        .ok_or_else(|| not_fixed(&kept))?;
    let places = kept
        .views
        .iter()
        .filter_map(|kept| views.iter().position(|view| std::ptr::eq(view, kept.view)))
        .collect();
    Ok((places, adjusted.views))
}

/// A first camera with every term, and the points that fit it.
struct Cleaned<'a> {
    kept: Kept<'a>,
    state: State,
    dropped: Vec<DroppedView>,
}

fn cleaned<'a>(
    views: &'a [BoardView],
    size_px: (usize, usize),
    options: &CalibrateOptions,
) -> Result<Cleaned<'a>, CalibrationError> {
    let (usable, mut dropped) = usable_views(views);
    enough(usable.len(), options)?;
    let mut state = first_state(&usable, size_px);
    let mut kept = Kept::all(usable.into_iter().map(|(view, _)| view).collect());
    let wanted = options.terms.unwrap_or(DistortionTerms::All);
    let mut most_terms = DistortionTerms::None;
    let robust = Loss::Huber { width: HUBER_WIDTH };
    for terms in DistortionTerms::LADDER {
        if terms <= wanted {
            match adjust(&kept, state.clone(), (terms, BoardShape::Flat), robust) {
                Some(adjusted) => (state, most_terms) = (adjusted.state, terms),
                // Without terms that cannot be fitted, unless they were requested.
                None if options.terms.is_none() && terms > DistortionTerms::None => break,
                None => return Err(not_fixed(&kept)),
            }
        }
    }
    let rounds = match options.outliers {
        Outliers::Drop => OUTLIER_ROUNDS,
        Outliers::Keep => 0,
    };
    // With every term estimated, a lens's bend is not mistaken for a crowd of outliers.
    for _ in 0..rounds {
        let changed = drop_outliers(&mut kept, &mut state, &mut dropped);
        enough(kept.views.len(), options)?;
        state = adjust(
            &kept,
            state,
            (most_terms, BoardShape::Flat),
            Loss::Quadratic,
        )
        .ok_or_else(|| not_fixed(&kept))?
        .state;
        if !changed {
            break;
        }
    }
    Ok(Cleaned {
        kept,
        state,
        dropped,
    })
}

fn enough(usable: usize, options: &CalibrateOptions) -> Result<(), CalibrationError> {
    if usable < options.fewest_views {
        return Err(CalibrationError::FewViews {
            usable,
            needed: options.fewest_views,
        });
    }
    Ok(())
}

/// Places are compared to choose the terms. Requested terms need no comparison: then the verdict
/// objects to few places, and places that do not determine the camera are rejected as such.
fn enough_places(places: &[usize], options: &CalibrateOptions) -> Result<(), CalibrationError> {
    let different = place::count(places);
    if options.terms.is_none() && different < options.fewest_views {
        return Err(CalibrationError::FewPlaces {
            views: places.len(),
            places: different,
            needed: options.fewest_views,
        });
    }
    Ok(())
}

fn not_fixed(kept: &Kept<'_>) -> CalibrationError {
    CalibrationError::NotFixed {
        views: kept.views.len(),
    }
}

/// Views with enough points, each with its homography, and the others.
fn usable_views(views: &[BoardView]) -> (Vec<(&BoardView, Matrix3<f64>)>, Vec<DroppedView>) {
    let mut usable = Vec::new();
    let mut dropped = Vec::new();
    for view in views {
        match view_homography(view) {
            Some(homography) => usable.push((view, homography)),
            None => dropped.push(DroppedView {
                name: view.name.clone(),
                reason: DroppedReason::FewPoints {
                    points: view.points.len(),
                },
            }),
        }
    }
    (usable, dropped)
}

fn view_homography(view: &BoardView) -> Option<Matrix3<f64>> {
    if view.points.len() < FEWEST_CROSSINGS {
        return None;
    }
    let on_board: Vec<Point2<f64>> = view.points.iter().map(|point| point.on_board_mm).collect();
    let in_image: Vec<Point2<f64>> = view.points.iter().map(|point| point.in_image_px).collect();
    homography::between(&on_board, &in_image)
}

fn first_state(usable: &[(&BoardView, Matrix3<f64>)], size_px: (usize, usize)) -> State {
    let homographies: Vec<Matrix3<f64>> = usable.iter().map(|(_, h)| *h).collect();
    let camera = first_camera(&homographies, size_px);
    let camera_from_board = homographies
        .iter()
        .map(|homography| first_pose(&camera, homography))
        .collect();
    State {
        camera,
        bend_mm: Vector3::zeros(),
        camera_from_board,
    }
}

fn check_tilt(state: &State) -> Result<(), CalibrationError> {
    let tilts = state.camera_from_board.iter().map(tilt_deg);
    let largest_tilt_deg = tilts.fold(0.0, f64::max);
    if largest_tilt_deg < SMALLEST_TILT_DEG {
        return Err(CalibrationError::AllSquareOn {
            views: state.camera_from_board.len(),
            largest_tilt_deg,
        });
    }
    Ok(())
}

/// Angle between the board and the plane of the picture.
fn tilt_deg(camera_from_board: &Isometry3<f64>) -> f64 {
    let normal = camera_from_board.rotation * Vector3::z();
    deg_from_rad(normal.z.abs().min(1.0).acos())
}

fn described(
    size_px: (usize, usize),
    kept: &Kept,
    chosen: Chosen,
    dropped_views: Vec<DroppedView>,
) -> Calibration {
    let state = &chosen.state;
    let views = (0..kept.views.len())
        .map(|index| described_view(kept, state, index))
        .collect();
    Calibration {
        size_px,
        camera: state.camera,
        covariance: chosen.covariance,
        rms_px: rms_px(kept, state),
        terms: chosen.terms,
        trials: chosen.trials,
        between_views: chosen.between_views,
        bend_mm: state.bend_mm,
        bend_f_value: chosen.bend_f_value,
        places: chosen.places,
        views,
        dropped_views,
    }
}

fn described_view(kept: &Kept, state: &State, index: usize) -> CalibratedView {
    let view = &kept.views[index];
    let camera_from_board = state.camera_from_board[index];
    let residuals = |used: bool| -> Vec<PointResidual> {
        view.points(used)
            .filter_map(|point| {
                Some(PointResidual {
                    point: *point,
                    residual_px: kept.residual_px(state, index, point)?,
                })
            })
            .collect()
    };
    let count = view.view.points.len().max(1) as f64;
    let all = view.view.points.iter();
    let middle_mm = all
        .map(|point| point.on_board_mm.coords)
        .sum::<Vector2<f64>>()
        / count;
    let middle = camera_from_board * Point3::new(middle_mm.x, middle_mm.y, 0.0);
    CalibratedView {
        name: view.view.name.clone(),
        camera_from_board,
        rms_px: rms_of_view(kept, state, index),
        tilt_deg: tilt_deg(&camera_from_board),
        distance_mm: middle.coords.norm(),
        points: residuals(true),
        dropped: residuals(false),
    }
}
