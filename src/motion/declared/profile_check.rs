//! Weighs the declared camera profile against a fit with a free lens.
//!
//! Tags that turn through many degrees show the focal length by their perspective, and a camera in
//! the hand shows it better still. So a clip can contradict a profile: a digital zoom, another lens,
//! another phone.

use nalgebra::{Matrix3, SMatrix};

use super::declaration::DeclarationWarning;
use super::declared_fit::{Declared, Sorted};
use crate::camera::{CameraProfile, INTRINSIC_COUNT};
use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::motion::FitOptions;
use crate::motion::conclude::corner_errors::{mean_residuals, with_corner_errors};
use crate::motion::problem::blocks::Block;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::problem::observation::Target;
use crate::motion::problem::parameters::Lens;
use crate::motion::select::correlated_errors::weigh_rests;
use crate::motion::select::outliers::freedom_of_a_sighting;
use crate::motion::select::scatter::Scatter;
use crate::motion::solve::search::{FROM_NEARBY, Search};

/// So many frames are enough for the check.
const ENOUGH_FRAMES: usize = 400;
/// The clip contradicts a profile from this χ² on: with three degrees of freedom, focal length and principal
/// point, chance exceeds it once in a thousand times.
const CONTRADICTED_CHI2: f64 = 16.3;
/// … if a free lens leaves no more than this share of the residuals' variance: lasting errors and motion of
/// the picture make a lens look wrong that does not explain them.
const EXPLAINED_SHARE: f64 = 0.92;
/// … and if it explains more of the residuals than the lasting errors of corners make, as standard deviations. On
/// films with such errors alone a free lens explains 0.2 to 0.8 times as much, with focal lengths that are 5 % off
/// 1.3 times and more.
const EXPLAINED_LASTING: f64 = 1.0;
/// … or if χ² of focal length and principal point is beyond this, more than twice the largest on films and clips
/// with the right profile, 22: a focal length 5 % too long explains 0.9 times as much on one hand-held clip, with a
/// χ² of 120.
const OVERWHELMING_CHI2: f64 = 50.0;
/// Beside a still camera a clip can contradict a lens without showing its focal length: if a free lens leaves
/// no more than this share. On good clips it leaves 0.92 to 1.03, with focal lengths that are 5 % off 0.5 to
/// 0.6 on a tripod and 0.7 to 0.8 in the hand …
const MUCH_EXPLAINED_SHARE: f64 = 0.87;
/// … and lowers χ² by this much, errors that repeat in a rest counted once: with the lens' nine numbers chance
/// does by 28 once in a thousand times, and errors that last through the clip have some to add.
const MUCH_EXPLAINED_CHI2: f64 = 56.0;
/// … and explains more of the residuals than this many times the lasting errors of corners: a clean film of few
/// stations has hardly any other errors, and a free lens takes up some of them.
const MUCH_EXPLAINED_LASTING: f64 = 1.25;
/// The search for the free lens, from where the fit with the declared one is.
const FREE: Search = Search {
    damping: FROM_NEARBY,
    steps: 40,
    promised: 0.05,
};
/// … and if some deflection then changes by more than this, degrees: a smaller change is harmless.
const HARM_DEG: f64 = 0.03;
/// Standard deviation of ln f, and of the principal point over f, of one phone from one clip to the next:
/// focus, attitude and stabilisation change them by tenths of a percent.
const SAME_PHONE_SD: f64 = 0.003;
/// Focal lengths over the declared one from which a fit begins where the declared one fails: twice
/// the reach of its search in all.
const STARTS: [f64; 3] = [1.0, 0.75, 1.35];
/// Lasting errors of corners are this much larger beside a still camera with a free lens: on a tripod clip filmed
/// with six wrong or rough profiles 187 of 204 stations were within their ± without it.
const FREE_LENS_CORNER_FACTOR: f64 = 2.0;
/// Beside a still camera, where a focal length hides behind other parts of the lens, more starts are tried.
const STILL_STARTS: [f64; 2] = [0.8, 1.25];
/// A field of view is stated in whole degrees and measured in more than one way: nobody is wrong by
/// this share of the focal length.
const STATED_SHARE: f64 = 0.1;

/// The lens that a clip fits best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::motion) struct FreeLens {
    /// Its focal length over the declared one.
    focal_ratio: Measured,
    /// Against the declared ones.
    chi2: f64,
    /// Variance of the tags' residuals over that with the declared lens.
    variance_ratio: f64,
    /// By how much it lowers the χ² of the tags' residuals.
    explained_chi2: f64,
    /// The part of the residuals that it explains, over the lasting errors of corners, as standard deviations.
    explained_lasting: f64,
}

/// The lens that fits the clip best, started from the declared one; `None` if there is no such fit.
pub(in crate::motion) fn lens_of_clip(
    declared: &Declared<'_>,
    (fit, state): &Sorted,
) -> Option<FreeLens> {
    free_lens(fit, state, &declared.profile, declared.options)
}

/// The fit with a free lens, and the declaration that it contradicts; `None` if the declared lens is good enough.
pub(in crate::motion) fn with_free_lens(
    declared: &mut Declared<'_>,
    sorted: &Sorted,
    lens: FreeLens,
) -> Option<(Sorted, DeclarationWarning)> {
    let starts: &[f64] = match sorted.0.layout.camera_moves {
        true => &[],
        false => &STILL_STARTS,
    };
    let found = [lens.focal_ratio.value];
    let fits = found.iter().chain(starts).filter_map(|ratio| {
        let mut free = declared.clone();
        free.profile = declared.profile.doubted(*ratio);
        let by_lens = free.fit().ok()?;
        let rms_px = Scatter::of(&by_lens.0, &by_lens.1, &Default::default())?.rms_px;
        Some((free, by_lens, rms_px))
    });
    let (free, by_lens, _) = fits.min_by(|a, b| a.2.total_cmp(&b.2))?;
    if !declared.profile.is_rough() && largest_change_deg(sorted, &by_lens) < HARM_DEG {
        return None;
    }
    let doubt = doubt(declared, &by_lens, lens.variance_ratio)?;
    *declared = free;
    Some((by_lens, doubt))
}

/// The options for a result by a fit: with a free lens beside a still camera, lasting errors of corners look like
/// an error of the lens and vice versa.
pub(in crate::motion) fn options_with_lens(declared: &Declared<'_>, fit: &JointFit) -> FitOptions {
    let mut options = *declared.options;
    if declared.profile.is_rough() && !fit.layout.camera_moves {
        options.corner_error_sd_px *= FREE_LENS_CORNER_FACTOR;
    }
    options
}

/// Whether a lens shows that the declared one is wrong.
pub(in crate::motion) fn contradicts(lens: &FreeLens, profile: &CameraProfile) -> bool {
    let is_clear = lens.explained_lasting > EXPLAINED_LASTING || lens.chi2 > OVERWHELMING_CHI2;
    looks_wrong(lens, profile) && (profile.is_rough() || is_clear)
}

/// The same, or a sign of another wrong declaration: to a camera in the hand a wrong edge looks like a lens that
/// explains no more than lasting errors of corners.
pub(in crate::motion) fn looks_wrong(lens: &FreeLens, profile: &CameraProfile) -> bool {
    if profile.is_rough() {
        return (lens.focal_ratio.value - 1.0).abs() > STATED_SHARE + 2.0 * lens.focal_ratio.sd;
    }
    let shows_focal = lens.chi2 > CONTRADICTED_CHI2 && lens.variance_ratio < EXPLAINED_SHARE;
    let explains_much = lens.explained_chi2 > MUCH_EXPLAINED_CHI2
        && lens.explained_lasting > MUCH_EXPLAINED_LASTING;
    shows_focal || explains_much && lens.variance_ratio < MUCH_EXPLAINED_SHARE
}

/// The profile as a free lens, from the start that explains the clip best, with what it leaves.
pub(in crate::motion) fn best_lens(declared: &Declared<'_>) -> Option<(CameraProfile, f64)> {
    let starts = STARTS.into_iter().filter_map(|ratio| {
        let mut free = declared.clone();
        free.profile = declared.profile.doubted(ratio);
        let misfit = free.misfit()?;
        Some((free.profile, misfit))
    });
    starts.min_by(|a, b| a.1.total_cmp(&b.1))
}

/// Evidence of a fit with a free lens against the declared one; `residual_share` is the variance of the tags'
/// residuals over that with the declared lens.
pub(in crate::motion) fn doubt(
    declared: &Declared<'_>,
    (fit, state): &Sorted,
    residual_share: f64,
) -> Option<DeclarationWarning> {
    let profile = &declared.profile;
    let found = fit.lens.camera(&state.constants);
    let focal_ratio = (found.fx / profile.camera.fx + found.fy / profile.camera.fy) / 2.0;
    let variance = Scatter::of(fit, state, &Default::default())?.variance;
    let corner_error_sd_px = declared.options.corner_error_sd_px;
    let of_lens = lens_covariance(fit.clone(), (state, variance), corner_error_sd_px)?;
    let by = by_intrinsics(profile);
    let sd = (by * of_lens * by.transpose())[(0, 0)].max(0.0).sqrt();
    Some(if profile.is_rough() {
        let stated_deg = profile.field_of_view_deg(1.0);
        let fits_deg = profile.field_of_view_deg(focal_ratio);
        let slope_deg = (profile.field_of_view_deg(focal_ratio + sd) - fits_deg).abs();
        DeclarationWarning::FieldOfViewContradicted {
            stated_deg,
            fits_deg: Measured::new(fits_deg, slope_deg),
        }
    } else {
        DeclarationWarning::ProfileContradicted {
            focal_ratio: Measured::new(focal_ratio, sd),
            residual_share: residual_share.sqrt(),
        }
    })
}

/// Fits some of the frames with a free lens, from a fit with the declared one.
fn free_lens(
    fit: &JointFit,
    sorted: &State,
    profile: &CameraProfile,
    options: &FitOptions,
) -> Option<FreeLens> {
    let every = |times_s: &[f64]| times_s.len().div_ceil(ENOUGH_FRAMES);
    let (mut free, mut state, _) = fit.thinned(sorted, every);
    let constant = mean_residuals(&free, &state);
    let none = Default::default();
    let before = Scatter::of(&free, &state, &none)?;
    weigh_rests(&mut free, &state, &constant, 0.0);
    free.lens = Lens::new(&profile.doubted(1.0));
    free.layout.lens = true;
    state.constants.lens.fill(0.0);
    let state = free.minimise(state, FREE).ok()?.state;
    let after = Scatter::of(&free, &state, &none)?;
    let by = by_intrinsics(profile);
    let off = by * (free.lens.camera(&state.constants).intrinsics() - profile.camera.intrinsics());
    let freedom = freedom(&free);
    let of_lens = lens_covariance(free, (&state, after.variance), options.corner_error_sd_px)?;
    let own = by * of_lens * by.transpose();
    let of_profile = profile.covariance.map(|known| by * known * by.transpose());
    let same_phone = Matrix3::identity() * SAME_PHONE_SD.powi(2);
    let doubts = own + of_profile.unwrap_or_default() + same_phone;
    let chi2 = off.dot(&doubts.cholesky()?.solve(&off));
    Some(FreeLens {
        focal_ratio: Measured::new(1.0 + off[0], own[(0, 0)].sqrt()),
        chi2,
        variance_ratio: after.variance / before.variance,
        explained_chi2: freedom * (before.variance / after.variance - 1.0),
        explained_lasting: (before.rms_px.powi(2) - after.rms_px.powi(2))
            .max(0.0)
            .sqrt()
            / options.corner_error_sd_px.max(f64::MIN_POSITIVE),
    })
}

/// Degrees of freedom of all residuals, those that repeat in a rest counted once.
fn freedom(fit: &JointFit) -> f64 {
    let sightings = fit.frames.iter().flat_map(|frame| frame.with_a_say());
    let independent: f64 = sightings.map(|seen| seen.share).sum();
    independent * freedom_of_a_sighting(fit)
}

/// Relative change of the focal length, and principal point over focal length, by the intrinsics.
fn by_intrinsics(profile: &CameraProfile) -> SMatrix<f64, 3, INTRINSIC_COUNT> {
    let mut by = SMatrix::zeros();
    let camera = &profile.camera;
    by[(0, 0)] = 0.5 / camera.fx;
    by[(0, 1)] = 0.5 / camera.fy;
    by[(1, 2)] = 1.0 / camera.fx;
    by[(2, 3)] = 1.0 / camera.fy;
    by
}

/// Covariance of the intrinsics of a fit with a free lens whose residuals have this variance, lasting errors of
/// corners included.
fn lens_covariance(
    mut fit: JointFit,
    (state, variance): (&State, f64),
    corner_error_sd_px: f64,
) -> Option<SMatrix<f64, INTRINSIC_COUNT, INTRINSIC_COUNT>> {
    fit.layout.corner_errors = corner_error_sd_px > 0.0;
    let reduced = fit.system(state, 0.0);
    let own = reduced.covariance(fit.layout.fitted())? * variance;
    let covariance = with_corner_errors(&own, &reduced, &fit.layout, corner_error_sd_px)?;
    let of_lens = fit.layout.own_covariance(Block::Lens, &covariance)?;
    let of_lens = of_lens.fixed_view::<INTRINSIC_COUNT, INTRINSIC_COUNT>(0, 0);
    let root = fit.lens.root()?;
    Some(root * of_lens * root.transpose())
}

/// Largest change of any deflection from its surface's mean, between two fits of the same frames.
fn largest_change_deg(a: &Sorted, b: &Sorted) -> f64 {
    let surfaces = 0..a.0.layout.surfaces;
    let changes = surfaces.map(|surface| {
        let of = |(fit, state): &Sorted| -> Vec<Option<f64>> {
            let frames = fit.frames.iter().zip(&state.frames);
            let shown = frames.map(|(frame, state)| {
                let shown = frame.shows(Target::Surface(surface));
                shown.then_some(state.angles_rad[surface])
            });
            shown.collect()
        };
        let pairs = of(a).into_iter().zip(of(b));
        let pairs: Vec<(f64, f64)> = pairs.filter_map(|(a, b)| Some((a?, b?))).collect();
        let count = pairs.len().max(1) as f64;
        let mean = pairs.iter().fold((0.0, 0.0), |sum, (a, b)| {
            (sum.0 + a / count, sum.1 + b / count)
        });
        let centred = pairs.iter().map(|(a, b)| (a - mean.0, b - mean.1));
        // The sense of each fitted hinge is arbitrary.
        let sign = centred.clone().map(|(a, b)| a * b).sum::<f64>().signum();
        centred
            .map(|(a, b)| (a - sign * b).abs())
            .fold(0.0, f64::max)
    });
    deg_from_rad(changes.fold(0.0, f64::max))
}
