//! How far each surface's neutral has moved between two clips of one aircraft.
//!
//! Airframe tags, hinge lines and the surfaces' tags make a body that may only have been filmed
//! from elsewhere (a rigid motion) and whose surfaces may only have turned about their hinges.
//! These unknowns are fitted to everything that both clips determine, with the covariance of both
//! (generalised least squares, A. C. Aitken 1935; Gauss–Newton on both sets as observations). So
//! the tilt of the airframe tag, which a small tag alone determines badly, also follows from where the
//! tags and hinge lines are relative to each other, and the rest is in the ± of the result.

mod gauss_newton;
mod resting;
mod warning;

use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector3};

use crate::geometry::{Pose, stepped_pose};
use crate::motion::{HINGE_ROWS, OnSurface, POSE_ROWS, PlacedTag, TagsAtNeutral};
use gauss_newton::{SETTLED, Step, derivative, settle};

pub use resting::{LARGEST_RESTING_MISFIT, NotLaid, register_resting};
pub use warning::{LevelFault, LevelNotUsed};

/// A misfit beyond this means that something else than the surfaces moved: errors of the corners
/// would have to be three times what the fits claim, which hold what lasts through a clip. Pairs of
/// synthetic films reach 2; a tag that was stuck on anew 2 mm off along the hinge gives 12 and more.
/// Smaller misfits widen the doubt.
pub const LARGEST_MISFIT: f64 = 9.0;

/// Unknowns of the rigid motion.
const RIGID: usize = 6;
/// The turns of the surfaces that explain the later places best.
#[derive(Debug, Clone, PartialEq)]
pub struct Registration {
    /// Names of the surfaces that both clips show.
    pub surfaces: Vec<String>,
    /// Later minus earlier neutral, rad.
    pub turns_rad: DVector<f64>,
    /// Their covariance from the places, rad².
    pub covariance_rad2: DMatrix<f64>,
    /// Variance of each beside that: how well the surface came back to neutral in both clips, rad².
    pub return_rad2: DVector<f64>,
    /// Squared misfit of the places in units of what the covariances lead to expect, 1 on average.
    pub misfit: f64,
}

/// Fits the later clip's tags to the earlier one's; `None` where no surface or too little is
/// common to both.
///
/// Tags are common if id, edge and surface are the same in both.
pub fn register(earlier: &TagsAtNeutral, later: &TagsAtNeutral) -> Option<Registration> {
    let (earlier, later) = (common(earlier, later), common(later, earlier));
    let surfaces: Vec<String> = later.tags.iter().filter_map(surface_name).collect();
    let rows = later.covariance.nrows();
    if surfaces.is_empty() || rows <= RIGID + surfaces.len() {
        return None;
    }
    let start = Unknowns::start(&earlier.tags, &later.tags, surfaces.len())?;
    let step = |now: &Unknowns| now.step(&earlier, &later);
    let (now, last) = settle(start, SETTLED, step, Unknowns::moved)?;
    let count = surfaces.len();
    let of_both = earlier.tags.iter().zip(&later.tags);
    let return_rad2 = of_both.filter_map(|(before, after)| {
        let [before, after] = [&before.surface, &after.surface].map(Option::as_ref);
        Some(before?.neutral_sd_rad.powi(2) + after?.neutral_sd_rad.powi(2))
    });
    Some(Registration {
        return_rad2: DVector::from_vec(return_rad2.collect()),
        surfaces,
        turns_rad: now.turns_rad,
        covariance_rad2: last.covariance.view((RIGID, RIGID), (count, count)).into(),
        misfit: last.chi2 / (rows - RIGID - count) as f64,
    })
}

fn surface_name(tag: &PlacedTag) -> Option<String> {
    tag.surface.as_ref().map(|on| on.name.clone())
}

/// The tags that the other clip has as well, in an order that is the same for both.
fn common(of: &TagsAtNeutral, with: &TagsAtNeutral) -> TagsAtNeutral {
    let is_same = |a: &PlacedTag, b: &PlacedTag| {
        a.tag_id == b.tag_id && a.edge_mm == b.edge_mm && surface_name(a) == surface_name(b)
    };
    let shared = of.tags.iter();
    let shared = shared.filter(|tag| with.tags.iter().any(|other| is_same(tag, other)));
    let mut ids: Vec<u32> = shared.map(|tag| tag.tag_id).collect();
    ids.sort_unstable();
    of.only(&ids)
}

impl TagsAtNeutral {
    /// Some of the tags, in a given order.
    fn only(&self, ids: &[u32]) -> Self {
        let mut row = 0;
        let mut kept: Vec<(usize, &PlacedTag, usize)> = vec![];
        for tag in &self.tags {
            if let Some(place) = ids.iter().position(|id| *id == tag.tag_id) {
                kept.push((place, tag, row));
            }
            row += tag.rows();
        }
        kept.sort_by_key(|(place, ..)| *place);
        let rows: Vec<usize> = kept
            .iter()
            .flat_map(|(_, tag, first)| *first..first + tag.rows())
            .collect();
        Self {
            tags: kept.into_iter().map(|(_, tag, _)| tag.clone()).collect(),
            covariance: DMatrix::from_fn(rows.len(), rows.len(), |row, column| {
                self.covariance[(rows[row], rows[column])]
            }),
        }
    }

    /// Names of the surfaces, in the order of their tags.
    fn surfaces(&self) -> Vec<String> {
        self.tags.iter().filter_map(surface_name).collect()
    }
}

/// What may have changed between the clips.
#[derive(Debug, Clone)]
struct Unknowns {
    later_from_earlier: Pose,
    turns_rad: DVector<f64>,
}

impl Unknowns {
    /// The rigid motion from the tags' turns and middle, no surface moved.
    fn start(earlier: &[PlacedTag], later: &[PlacedTag], surfaces: usize) -> Option<Self> {
        let mut turns = Matrix3::zeros();
        let mut middles = [Vector3::zeros(), Vector3::zeros()];
        for (before, after) in earlier.iter().zip(later) {
            let (before, after) = (before.reference_from_tag, after.reference_from_tag);
            turns += after.rotation.matrix() * before.rotation.matrix().transpose();
            middles[0] += before.translation.vector / earlier.len() as f64;
            middles[1] += after.translation.vector / earlier.len() as f64;
        }
        // The rotation next to the mean matrix (chordal mean).
        let svd = turns.svd(true, true);
        let (u, v_t) = (svd.u?, svd.v_t?);
        let handed = Vector3::new(1.0, 1.0, (u * v_t).determinant().signum());
        let turn = Rotation3::from_matrix_unchecked(u * Matrix3::from_diagonal(&handed) * v_t);
        let shift = middles[1] - turn * middles[0];
        Some(Self {
            later_from_earlier: Pose::from_parts(Translation3::from(shift), turn),
            turns_rad: DVector::zeros(surfaces),
        })
    }

    fn moved(&self, by: &DVector<f64>) -> Self {
        let rigid = by.fixed_rows::<RIGID>(0).into_owned();
        Self {
            later_from_earlier: stepped_pose(&self.later_from_earlier, &rigid),
            turns_rad: &self.turns_rad + by.rows_range(RIGID..),
        }
    }

    /// The earlier tags as the later clip should show them.
    fn predicted(&self, earlier: &[PlacedTag]) -> Vec<PlacedTag> {
        let mut turns = self.turns_rad.iter();
        let mut predicted = earlier.to_vec();
        for tag in &mut predicted {
            if let Some(OnSurface { hinge, .. }) = &mut tag.surface {
                let turn_rad = turns.next().copied().unwrap_or(0.0);
                tag.reference_from_tag = hinge.line.carry(&tag.reference_from_tag, turn_rad);
                hinge.line = hinge.line.seen_from(&self.later_from_earlier);
            }
            tag.reference_from_tag = self.later_from_earlier * tag.reference_from_tag;
        }
        predicted
    }

    fn step(&self, earlier: &TagsAtNeutral, later: &TagsAtNeutral) -> Option<Step> {
        let rows = later.covariance.nrows();
        let misses = misses(&later.tags, &self.predicted(&earlier.tags));
        let of_unknowns = |by: &DVector<f64>| {
            let moved = self.moved(by);
            self::misses(&later.tags, &moved.predicted(&earlier.tags))
        };
        let of_earlier = |by: &DVector<f64>| {
            let displaced = displaced(&earlier.tags, by);
            self::misses(&later.tags, &self.predicted(&displaced))
        };
        let slope = derivative(RIGID + self.turns_rad.len(), rows, of_unknowns);
        let carry = derivative(rows, rows, of_earlier);
        let covariance = &later.covariance + &carry * &earlier.covariance * carry.transpose();
        Step::of(slope, misses, covariance, &self.turns_rad)
    }
}

/// Found minus predicted places, in the order and units of the covariance.
fn misses(found: &[PlacedTag], predicted: &[PlacedTag]) -> DVector<f64> {
    let mut misses = vec![];
    for (found, predicted) in found.iter().zip(predicted) {
        let (here, there) = (&found.reference_from_tag, &predicted.reference_from_tag);
        // By the quaternion: a matrix gives small turns by a cosine close to 1, too coarsely.
        let turn = here.rotation * there.rotation.inverse();
        let turn = UnitQuaternion::from_rotation_matrix(&turn).scaled_axis();
        let shift = here.translation.vector - there.translation.vector;
        misses.extend(turn.iter().chain(shift.iter()));
        if let (Some(found), Some(predicted)) = (&found.surface, &predicted.surface) {
            let (found, predicted) = (&found.hinge, &predicted.hinge);
            let turn = predicted.line.axis.cross(&found.line.axis);
            let shift = predicted.line.lever_to(&found.line.point);
            let across = found.across.transpose();
            misses.extend((across * turn).iter().chain((across * shift).iter()));
        }
    }
    DVector::from_vec(misses)
}

/// Tags and hinge lines displaced by small amounts in the order and units of the covariance.
fn displaced(tags: &[PlacedTag], by: &DVector<f64>) -> Vec<PlacedTag> {
    let mut row = 0;
    let mut displaced = tags.to_vec();
    for tag in &mut displaced {
        let of_pose = by.fixed_rows::<POSE_ROWS>(row).into_owned();
        tag.reference_from_tag = stepped_pose(&tag.reference_from_tag, &of_pose);
        if let Some(OnSurface { hinge, .. }) = &mut tag.surface {
            let of_hinge = by.fixed_rows::<HINGE_ROWS>(row + POSE_ROWS).into_owned();
            hinge.line = hinge.line.displaced(&hinge.across, &of_hinge);
        }
        row += tag.rows();
    }
    displaced
}
