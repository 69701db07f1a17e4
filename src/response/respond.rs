//! Measures every surface at every hold.

use super::averages;
use super::deflections::{self, HoldDeflections, SurfaceMeans};
use super::error::ResponseError;
use super::health::{self, SurfaceStations};
use super::inclinometer;
use super::lag::{self, Side};
use super::level::LevelZero;
use super::neutral;
use super::responses::{Response, Responses, SideLag, StationDeflection};
use super::throw::throw_mm;
use super::visits::{self, StationVisit};
use super::warning::{self, ResponseWarning};
use crate::measured::Measured;
use crate::model_file::{ModelFile, Surface};
use crate::motion::{Motion, SurfaceMotion};
use crate::stations::Holds;

/// Measures every surface at every hold, and judges it.
///
/// The surfaces of the motion and of the model file are the same, in the same order. Surfaces that
/// were not seen at a hold have no entry for it, with a warning.
pub fn respond(
    motion: &Motion,
    holds: &Holds,
    model: &ModelFile,
    warnings: &mut Vec<ResponseWarning>,
) -> Result<Responses, ResponseError> {
    let means: Vec<SurfaceMeans> = (0..motion.surfaces.len())
        .map(|surface| deflections::surface_means(motion, holds, surface, warnings))
        .collect::<Result<_, _>>()?;
    let all = deflections::hold_deflections(motion, &holds.sweeps, &means);
    let visits = visits::visits(holds);
    let mut surfaces = Vec::with_capacity(means.len());
    let mut row = 0;
    for (surface, means) in model.surfaces.iter().zip(&means) {
        let hinge = &motion.surfaces[surfaces.len()];
        let stations = stations_of(surface, hinge, &visits, means, &all, row);
        let count = stations.len();
        let health = health::health(
            &SurfaceStations {
                stations: &stations,
                covariance_deg2: all.covariance_deg2.view((row, row), (count, count)).into(),
            },
            &means.scatter,
        );
        warning::doubt_health(&surface.name, &health, warnings);
        surfaces.push(Response {
            surface: surface.name.clone(),
            stations,
            health,
        });
        row += count;
    }
    let lags = side_lags(motion, holds, &means, &surfaces, model);
    warning::doubt_lags(&lags, warnings);
    let health = surfaces.iter().map(|response| &response.health);
    Ok(Responses {
        level: level_zero(motion, holds, &means, warnings),
        neutral: neutral::tags_at_neutral(motion, &means, health),
        surfaces,
        covariance_deg2: all.covariance_deg2,
        lags,
    })
}

/// How the neutrals compare with the level position, if the clip shows it.
fn level_zero(
    motion: &Motion,
    holds: &Holds,
    means: &[SurfaceMeans],
    warnings: &mut Vec<ResponseWarning>,
) -> Option<LevelZero> {
    let (span_s, frames) = holds.level_frames.as_ref()?;
    let shown_by = format!("{} s to {} s of the clip", span_s[0], span_s[1]);
    let level = LevelZero::of_frames(motion, means, shown_by, frames);
    if level.is_none() {
        warnings.push(ResponseWarning::LevelNotMeasured);
    }
    level
}

/// One surface's stations in time; its deflections start at `row`.
fn stations_of(
    surface: &Surface,
    hinge: &SurfaceMotion,
    visits: &[StationVisit],
    means: &SurfaceMeans,
    all: &HoldDeflections,
    row: usize,
) -> Vec<StationDeflection> {
    let station = |(measured, &position): (usize, &usize)| {
        let row = row + measured;
        let visit = &visits[position];
        let sd_deg = all.covariance_deg2[(row, row)].max(0.0).sqrt();
        let deflection_deg = Measured::new(all.values_deg[row], sd_deg);
        StationDeflection {
            stick_pct: visit.stick_pct,
            approach: visit.approach,
            time_s: visit.time_s,
            frames: means.means[measured].weights.len(),
            deflection_deg,
            throw_mm: surface
                .chord_mm
                .map(|chord_mm| throw_mm(deflection_deg, chord_mm)),
            inclinometer_deg: (!surface.upright)
                .then(|| inclinometer::measured_reading_deg(deflection_deg, &hinge.axis_in_camera)),
            hold: position,
        }
    };
    means.visits.iter().enumerate().map(station).collect()
}

/// The lag of every follower behind its reference, where both were seen moving.
fn side_lags(
    motion: &Motion,
    holds: &Holds,
    means: &[SurfaceMeans],
    responses: &[Response],
    model: &ModelFile,
) -> Vec<SideLag> {
    let by_frame = deflections::frame_deflections(motion, means);
    let time_s: Vec<f64> = motion.frames.iter().map(|frame| frame.time_s).collect();
    let moves = moves_by_frame(motion.frames.len(), holds);
    let side = |name: &str| {
        let surface = responses
            .iter()
            .position(|response| response.surface == name)?;
        let is_by_hand = |frame: usize| {
            let level = holds.level_frames.as_ref();
            level.is_some_and(|(_, frames)| frames.contains(&frame))
        };
        let frame = |(frame, all): (usize, &Vec<Option<Measured>>)| {
            if is_by_hand(frame) {
                return None;
            }
            let own_rad2 = averages::own_rad2(motion, surface, frame);
            let to_deg = crate::conventions::deg_from_rad(1.0);
            Some((all[surface]?.value, own_rad2 * to_deg * to_deg))
        };
        Some(Side {
            name: &responses[surface].surface,
            stations: &responses[surface].stations,
            frames: by_frame.iter().enumerate().map(frame).collect(),
        })
    };
    let mut lags = Vec::new();
    for group in &model.matches {
        for follower in &group.followers {
            if let (Some(reference), Some(follower)) = (side(&group.reference), side(follower)) {
                lags.extend(lag::side_lag(&time_s, &moves, &reference, &follower));
            }
        }
    }
    lags
}

/// The number of the move that each frame belongs to; `None` at rest and outside all holds.
fn moves_by_frame(frame_count: usize, holds: &Holds) -> Vec<Option<usize>> {
    let mut moves = vec![None; frame_count];
    for (number, pair) in holds.holds.windows(2).enumerate() {
        if let (Some(&last), Some(&first)) = (pair[0].frames.last(), pair[1].frames.first()) {
            moves[last..first].fill(Some(number));
        }
    }
    moves
}
