//! Checks the stations assigned to rests against the deflections.

use super::consistency;
use crate::motion::Motion;
use crate::stations::constants::{SAME_LABEL_DEG, SAME_LABEL_SHARE};
use crate::stations::error::StationsError;
use crate::stations::seen_rest::SeenRest;
use crate::stations::warning::StationsWarning;
use crate::statistics::extremes;

/// Rejects a station assigned to very different deflections; warns where the response reverses.
pub(in crate::stations) fn check_labels(
    motion: &Motion,
    seen: &[SeenRest],
    labels: &[Option<f64>],
    warnings: &mut Vec<StationsWarning>,
) -> Result<(), StationsError> {
    for (surface, surface_motion) in motion.surfaces.iter().enumerate() {
        let points: Vec<(f64, f64, f64)> = seen
            .iter()
            .zip(labels)
            .filter_map(|(rest, stick)| {
                Some(((*stick)?, rest.deflection_deg[surface]?, rest.time_s[0]))
            })
            .collect();
        let [lowest, highest] = extremes(points.iter().map(|point| point.1));
        let threshold_deg = SAME_LABEL_DEG.max(SAME_LABEL_SHARE * (highest - lowest));
        for (later, &(stick_pct, angle_deg, later_s)) in points.iter().enumerate() {
            let same = points[..later].iter().find(|(other_pct, other_deg, _)| {
                *other_pct == stick_pct && (other_deg - angle_deg).abs() > threshold_deg
            });
            if let Some(&(_, other_deg, earlier_s)) = same {
                return Err(StationsError::StationContradicts {
                    stick_pct,
                    times_s: [earlier_s, later_s],
                    surface: surface_motion.name.clone(),
                    difference_deg: (angle_deg - other_deg).abs(),
                    threshold_deg,
                });
            }
        }
    }
    let misfit_deg = consistency::off_monotone_deg(seen, labels);
    let threshold_deg = consistency::off_monotone_threshold_deg(seen);
    if misfit_deg > threshold_deg {
        warnings.push(StationsWarning::ResponseNotMonotone {
            misfit_deg,
            threshold_deg,
        });
    }
    Ok(())
}
