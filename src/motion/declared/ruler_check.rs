//! Weighs the declared distances from hinge to tag against a fit without them.

use super::declaration::DeclarationWarning;
use super::declared_fit::{Declared, Sorted};
use crate::measured::Measured;
use crate::motion::MotionError;
use crate::motion::select::outliers::round;
use crate::motion::solve::search::FROM_NEARBY;

/// A declared distance is contradicted from this many standard deviations on, its own and the clip's together.
const CONTRADICTED_SDS: f64 = 4.0;
/// Lasting errors of corners make the clip's distance less certain than the scatter of single frames suggests.
const LASTING_FACTOR: f64 = 2.0;
/// Nobody reads a ruler along a hinge line better than this, mm: a difference below it is no mistake.
const LEAST_SD_MM: f64 = 0.5;

/// Takes the declared distances that the clip contradicts out of the model; `None` if it contradicts none.
pub(in crate::motion) fn leave_out_wrong_rulers(
    declared: &mut Declared<'_>,
    fitted: &Result<Sorted, MotionError>,
) -> Option<Vec<DeclarationWarning>> {
    let surfaces = declared.model.surfaces.iter();
    if surfaces.filter_map(|s| s.hinge_to_tag_mm).count() == 0 {
        return None;
    }
    let found_mm = match fitted {
        Ok(sorted) => fitted_without(sorted.clone()),
        Err(_) => {
            let mut without = declared.clone();
            let surfaces = without.model.surfaces.iter_mut();
            surfaces.for_each(|surface| surface.hinge_to_tag_mm = None);
            radii_mm(&without.fit().ok()?)
        }
    }?;
    let mut doubts = vec![];
    for (surface, fits_mm) in declared.model.surfaces.iter_mut().zip(found_mm) {
        let Some(ruler_mm) = surface.hinge_to_tag_mm else {
            continue;
        };
        let fits_mm = Measured::new(fits_mm.value, LASTING_FACTOR * fits_mm.sd);
        let sd_mm = fits_mm.sd.hypot(ruler_mm.sd.max(LEAST_SD_MM));
        if (fits_mm.value - ruler_mm.value).abs() > CONTRADICTED_SDS * sd_mm {
            surface.hinge_to_tag_mm = None;
            doubts.push(DeclarationWarning::RulerContradicted {
                surface: surface.name.clone(),
                ruler_mm,
                fits_mm,
            });
        }
    }
    (!doubts.is_empty()).then_some(doubts)
}

/// Distances of a fit that continues without the declared ones.
fn fitted_without((mut fit, state): Sorted) -> Option<Vec<Measured>> {
    fit.priors.radius_mm.fill(None);
    let state = fit.minimise(state, round(&fit, FROM_NEARBY)).ok()?.state;
    radii_mm(&(fit, state))
}

fn radii_mm((fit, state): &Sorted) -> Option<Vec<Measured>> {
    let covariance = fit.covariance(state)?;
    let surfaces = state.constants.surfaces.iter().enumerate();
    let radii = surfaces.map(|(index, hinged)| {
        Some(hinged.radius(&fit.layout.surface_covariance(index, &covariance)?))
    });
    radii.collect()
}
