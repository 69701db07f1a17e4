//! Chooses the views to calibrate from: sharp, steady, and as different as possible.

use super::adjustment::ViewInformation;
use super::error::CalibrationError;
use super::fit::{CalibrateOptions, calibrate, information};
use super::place::{ALIKE_SHARE, distance_px, places};
use super::result::Calibration;
use super::verdict::{Grade, Verdict};
use super::view::BoardView;
use crate::camera::{INTRINSIC_COUNT, IntrinsicsCovariance};

/// Most views of a clip that are used while they are enough for a good profile: from here on one
/// more of the same kind lowers no standard deviation by more than 1.3 %.
const MOST_VIEWS: usize = 40;
/// Views of a clip that are blurred more than this many times the median are left out (common
/// practice, no source).
pub(in crate::camera) const BLUR_LIMIT: f64 = 1.5;
/// Speed of the board in the picture, px/s, up to which a rolling shutter of 20 ms, as phones
/// have, shears it by less than half a pixel.
pub(in crate::camera) const STEADY_PX_S: f64 = 25.0;
/// If fewer views than this are steady, the steadiest so many are used.
const ENOUGH_VIEWS: usize = 15;
/// Weak prior information on the intrinsics before the first view is chosen, over that of all
/// views.
const PRIOR_SHARE: f64 = 1e-6;

/// A view that could be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The view.
    pub view: BoardView,
    /// When it was taken; `None` for stills.
    pub time_s: Option<f64>,
}

/// Why a view of the board was not used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Spare {
    /// It is less sharp than most.
    Blurred,
    /// The board moved.
    Moving,
    /// The others are enough for a good profile.
    NotNeeded,
}

impl Spare {
    /// All reasons, in the order in which they are reported.
    pub const ALL: [Self; 3] = [Self::Moving, Self::Blurred, Self::NotNeeded];

    /// The reason in words.
    pub fn words(&self) -> &'static str {
        match self {
            Self::Blurred => "blurred",
            Self::Moving => "the board moved",
            Self::NotNeeded => "not needed",
        }
    }

    /// What happened to this number of views, as a sentence without its full stop.
    pub fn sentence(&self, views: usize) -> String {
        let views_are = match views {
            1 => "1 view was".into(),
            _ => format!("{views} views were"),
        };
        match self {
            Self::Blurred => format!("{views_are} left out because of blur"),
            Self::Moving => format!("{views_are} left out because the board moved"),
            Self::NotNeeded => format!("{views_are} not needed: the others suffice"),
        }
    }
}

/// Views to calibrate from, and those that were left out.
#[derive(Debug, Clone, PartialEq)]
pub struct ChosenViews {
    /// Views to calibrate from, in the order given.
    pub views: Vec<BoardView>,
    /// Names of the others, in the order given, with the reason.
    pub spare: Vec<(String, Spare)>,
}

/// Calibrates from the chosen candidates; uses all steady ones unless the profile is good without
/// them.
///
/// # Errors
/// The views are too few, all square-on, or too much alike.
pub fn calibrate_candidates(
    candidates: &[Candidate],
    size_px: (usize, usize),
    options: &CalibrateOptions,
) -> Result<(Calibration, ChosenViews), CalibrationError> {
    let chosen = choose_views(candidates, size_px, options);
    if let Ok(chosen) = chosen {
        let spared = chosen.spare.iter().any(|(_, why)| *why == Spare::NotNeeded);
        match calibrate(&chosen.views, size_px, options) {
            Ok(calibration) if !spared || Verdict::of(&calibration).grade == Grade::Good => {
                return Ok((calibration, chosen));
            }
            Err(error) if !spared => return Err(error),
            Ok(_) | Err(_) => {}
        }
    }
    let all = steady_views(candidates);
    let calibration = calibrate(&all.views, size_px, options)?;
    Ok((calibration, all))
}

/// Chooses the views to calibrate from, in the order given.
///
/// Stills are all used: the user chose them. Views of a clip are added one by one, all from
/// different places: a board at rest repeats the same information with the same errors. Each time
/// the view is added that gives the most information on the intrinsics together with those already
/// chosen (D-optimal design: V. Fedorov, Theory of Optimal Experiments, 1972).
///
/// # Errors
/// The views are too few or too much alike for a first calibration.
pub fn choose_views(
    candidates: &[Candidate],
    size_px: (usize, usize),
    options: &CalibrateOptions,
) -> Result<ChosenViews, CalibrationError> {
    let steady = steady_views(candidates);
    if candidates.iter().all(|seen| seen.time_s.is_none()) {
        return Ok(steady);
    }
    let all: Vec<&BoardView> = steady.views.iter().collect();
    let places = places(&all, size_px.0);
    if places.len() <= MOST_VIEWS
        && places
            .iter()
            .enumerate()
            .all(|(view, place)| view == *place)
    {
        return Ok(steady);
    }
    let (kept, information) = information(&steady.views, size_px, options)?;
    let alike_px = ALIKE_SHARE * size_px.0 as f64;
    let chosen = most_telling(&information, |a, b| {
        distance_px(&steady.views[kept[a]], &steady.views[kept[b]])
            .is_some_and(|apart| apart < alike_px)
    });
    let names: Vec<String> = chosen
        .into_iter()
        .map(|index| steady.views[kept[index]].name.clone())
        .collect();
    Ok(sorted_out(candidates, |index| {
        steady.why_not(&candidates[index]).or_else(|| {
            let is_chosen = names.contains(&candidates[index].view.name);
            (!is_chosen).then_some(Spare::NotNeeded)
        })
    }))
}

impl ChosenViews {
    /// How many views were left out for a reason.
    pub fn spared(&self, reason: Spare) -> usize {
        self.spare.iter().filter(|(_, why)| *why == reason).count()
    }

    fn why_not(&self, candidate: &Candidate) -> Option<Spare> {
        let left_out = self.spare.iter();
        left_out
            .filter(|(name, _)| *name == candidate.view.name)
            .map(|(_, why)| *why)
            .next()
    }
}

fn sorted_out(candidates: &[Candidate], why_not: impl Fn(usize) -> Option<Spare>) -> ChosenViews {
    let mut chosen = ChosenViews {
        views: Vec::new(),
        spare: Vec::new(),
    };
    for (index, candidate) in candidates.iter().enumerate() {
        match why_not(index) {
            Some(why) => chosen.spare.push((candidate.view.name.clone(), why)),
            None => chosen.views.push(candidate.view.clone()),
        }
    }
    chosen
}

/// Leaves out the views of a clip that are blurred, and those in which the board moves as long as
/// enough are left. Stills all stay.
fn steady_views(candidates: &[Candidate]) -> ChosenViews {
    let sharp = sharp(candidates);
    let speeds_px_s: Vec<f64> = (0..candidates.len())
        .map(|index| speed_px_s(candidates, index))
        .collect();
    let mut sorted: Vec<f64> = speeds_px_s
        .iter()
        .zip(&sharp)
        .filter_map(|(speed_px_s, sharp)| sharp.then_some(*speed_px_s))
        .collect();
    sorted.sort_by(f64::total_cmp);
    let enough_px_s = sorted
        .get(ENOUGH_VIEWS.min(sorted.len()).saturating_sub(1))
        .copied()
        .unwrap_or(0.0);
    let limit_px_s = STEADY_PX_S.max(enough_px_s);
    sorted_out(candidates, |index| {
        if speeds_px_s[index] > limit_px_s {
            Some(Spare::Moving)
        } else {
            (!sharp[index]).then_some(Spare::Blurred)
        }
    })
}

/// Which candidates are sharp enough: of a clip those near the median, of stills all.
fn sharp(candidates: &[Candidate]) -> Vec<bool> {
    let blurs_px = candidates.iter().map(|seen| seen.view.blur_px);
    let usual_px = usual_blur_px(blurs_px).unwrap_or(0.0);
    candidates
        .iter()
        .map(|seen| seen.time_s.is_none() || seen.view.blur_px <= BLUR_LIMIT * usual_px)
        .collect()
}

/// The median blur of some views, the upper one of an even number; `None` without views.
pub(in crate::camera) fn usual_blur_px(blurs_px: impl Iterator<Item = f64>) -> Option<f64> {
    let mut blurs_px: Vec<f64> = blurs_px.collect();
    blurs_px.sort_by(f64::total_cmp);
    blurs_px.get(blurs_px.len() / 2).copied()
}

/// Speed of the board in the picture, from the slower of the two neighbouring looks; 0 of a still.
fn speed_px_s(candidates: &[Candidate], index: usize) -> f64 {
    let Some(time_s) = candidates[index].time_s else {
        return 0.0;
    };
    let neighbours = [index.checked_sub(1), Some(index + 1)];
    let speeds = neighbours.into_iter().flatten().filter_map(|other| {
        let other = candidates.get(other)?;
        let apart_s = (other.time_s? - time_s).abs();
        Some(distance_px(&other.view, &candidates[index].view)? / apart_s)
    });
    speeds.fold(f64::INFINITY, f64::min)
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
