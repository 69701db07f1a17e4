//! Weak geometry: reported with its figure, or refused.

use nalgebra::Vector3;

use crate::conventions::deg_from_rad;
use crate::measured::Measured;
use crate::model_file::ModelFile;
use crate::motion::problem::joint_fit::{JointFit, State};
use crate::motion::{FrameDeflection, Motion, MotionError, MotionWarning};
use crate::statistics::{inner_ends, median};

/// The scale of the angles gets a warning beyond this relative standard deviation: 0.5 % are 0.13° of
/// a throw of 25°, several times what the fit otherwise reaches.
const DOUBTFUL_SCALE_SD: f64 = 0.005;
/// … and the hinge is refused beyond this one.
const REFUSED_SCALE_SD: f64 = 0.15;
/// A tag whose centre is nearer to the hinge line than this many edges turns nearly in place: its
/// path along the arc, which determines the angle best, is lost.
const NEAREST_EDGES: f64 = 0.5;
/// A single airframe tag that a moving camera sees square-on within this angle is reported. In synthetic
/// films from the hand the ± at the ends of the travel is then a quarter larger than with a tag that
/// leans by 15°, and twice as large at 0°.
const SQUARE_ON_DEG: f64 = 5.0;

/// Reports or refuses weak geometry.
pub(in crate::motion) fn judge_hinges(
    motion: &Motion,
    model: &ModelFile,
    warnings: &mut Vec<MotionWarning>,
) -> Result<(), MotionError> {
    for (index, surface) in motion.surfaces.iter().enumerate() {
        let scale_sd = angle_scale_sd(motion, index);
        if scale_sd.is_nan() || scale_sd > REFUSED_SCALE_SD {
            return Err(MotionError::HingeUndetermined {
                surface: surface.name.clone(),
                scale_sd_pct: 100.0 * scale_sd,
            });
        }
        if scale_sd > DOUBTFUL_SCALE_SD {
            warnings.push(MotionWarning::HingePoor {
                surface: surface.name.clone(),
                scale_sd_pct: 100.0 * scale_sd,
                threshold_pct: 100.0 * DOUBTFUL_SCALE_SD,
            });
        }
        let nearest_mm = NEAREST_EDGES * model.surfaces[index].edge_mm;
        if surface.radius_mm.value < nearest_mm {
            warnings.push(MotionWarning::TagOnHinge {
                surface: surface.name.clone(),
                radius_mm: surface.radius_mm.value,
                threshold_mm: nearest_mm,
            });
        }
    }
    Ok(())
}

/// Reports an airframe tag that hides the camera's tilt where no landmark determines it: seen square-on, a tilt
/// changes its outline by the square of the angle only.
pub(in crate::motion) fn judge_airframe_tag(
    fit: &JointFit,
    state: &State,
    model: &ModelFile,
    warnings: &mut Vec<MotionWarning>,
) {
    let [tag] = model.airframe_tags.as_slice() else {
        return;
    };
    if !fit.layout.camera_moves || fit.layout.landmarks > 0 {
        return;
    }
    let seen = fit.frames.iter().zip(&state.frames);
    let angles_rad = seen
        .filter(|(frame, _)| frame.shows_airframe())
        .map(|(_, state)| {
            let pose = &state.camera_from_reference;
            let towards_camera = -pose.translation.vector;
            (pose.rotation * Vector3::z()).angle(&towards_camera)
        });
    let angle_deg = median(angles_rad).map_or(f64::NAN, deg_from_rad);
    if angle_deg < SQUARE_ON_DEG {
        warnings.push(MotionWarning::AirframeTagSquareOn {
            tag_id: tag.id,
            angle_deg,
            threshold_deg: SQUARE_ON_DEG,
        });
    }
}

/// Relative standard deviation of the scale of a surface's angles: that of the travel, as far as the
/// constants make it.
fn angle_scale_sd(motion: &Motion, surface: usize) -> f64 {
    let travel = travel_rad(motion, surface);
    travel.map_or(f64::NAN, |travel| travel.sd / travel.value)
}

/// Travel of a surface without outliers, with the error that the constants make; `None` where it was never
/// measured.
pub(in crate::motion) fn travel_rad(motion: &Motion, surface: usize) -> Option<Measured> {
    let frames = motion.frames.iter();
    let mut measured: Vec<&FrameDeflection> = frames
        .filter_map(|frame| frame.deflections[surface].as_ref())
        .collect();
    measured.sort_by(|a, b| a.angle_rad.total_cmp(&b.angle_rad));
    let [low, high] = inner_ends(&measured)?;
    let gain = &high.gain - &low.gain;
    let variance = gain.dot(&(&motion.constants_covariance * &gain));
    let travel_rad = high.angle_rad - low.angle_rad;
    Some(Measured::new(travel_rad, variance.max(0.0).sqrt()))
}
