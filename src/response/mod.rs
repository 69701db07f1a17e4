//! Response: each surface's deflection by station and direction of approach, and its health.

//!
//! 1. `averages` takes the mean over each hold's frames and judges their scatter; `passages` does so
//!    where a slow sweep passes a station, `visits` puts both in time.
//! 2. `deflections` takes the means from neutral, for all surfaces jointly.
//! 3. `throw` and `inclinometer` convert them to mm and to the reading of an inclinometer.
//! 4. `health` and `lag` check each surface, and one side against the other.
//! 5. `neutral` returns the places of the tags at neutral.

mod averages;
mod constants;
mod deflections;
mod error;
mod health;
mod inclinometer;
mod lag;
mod level;
mod neutral;
mod passages;
mod throw;
mod visits;
mod warning;

#[cfg(test)]
mod tests;

pub use error::ResponseError;
pub use inclinometer::inclinometer_deg;
pub(crate) use level::append_block;
pub use level::{LevelSurface, LevelZero};
pub use throw::throw_mm;
pub use warning::{ResponseWarning, UnmeasuredHold};

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::model_file::{ModelFile, Surface};
use crate::motion::{Motion, SurfaceMotion, TagsAtNeutral};
use crate::stations::{Approach, Holds};
use deflections::{HoldDeflections, SurfaceMeans};
use health::SurfaceStations;
use lag::Side;
use visits::StationVisit;

/// One surface's deflection at one hold, or where a slow sweep passes a station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationDeflection {
    /// Stick position.
    pub stick_pct: f64,
    /// The way the stick came.
    pub approach: Approach,
    /// First and last time of the settled frames used.
    pub time_s: [f64; 2],
    /// Number of frames used.
    pub frames: usize,
    /// Deflection from neutral.
    pub deflection_deg: Measured,
    /// Straight-line travel of the trailing edge, signed like the deflection, where a chord is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub throw_mm: Option<Measured>,
    /// Reading of an inclinometer placed fore-and-aft on the surface, if the airframe's directions
    /// are known.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub inclinometer_deg: Option<Measured>,
    /// Position of the hold or passage in time, from 0, the same for all surfaces.
    pub hold: usize,
}

/// How well a surface follows its command.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Health {
    /// Band in which the surface can rest for one command: falling minus rising in the sense of
    /// the stick, averaged over the stations; positive where the surface trails its command.
    pub play_deg: Option<Measured>,
    /// Largest difference between the visits to neutral.
    pub return_to_neutral_deg: Option<Measured>,
    /// Where the surface rests at neutral after the stick came rising, from the mean of all visits.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub neutral_after_rising_deg: Option<Measured>,
    /// The same after the stick came falling.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub neutral_after_falling_deg: Option<Measured>,
    /// Standard deviation of the deflection within holds, beyond the measurement's own noise.
    pub jitter_deg: Option<Measured>,
    /// Ends where the surface rests while the command goes on.
    pub early_stop: Vec<EarlyStop>,
}

/// A surface that stopped before its servo did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EarlyStop {
    /// The station from which on the surface rests.
    pub stick_pct: f64,
    /// Deflection at which it rests.
    pub deflection_deg: Measured,
}

/// One surface's response.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Name of the surface.
    pub surface: String,
    /// In time, holds at which the surface was measured.
    pub stations: Vec<StationDeflection>,
    /// Play, return to neutral, jitter, early stop.
    pub health: Health,
}

/// How one side of a match group follows the other in time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SideLag {
    /// Surface that is left alone.
    pub reference: String,
    /// Surface that is adjusted.
    pub follower: String,
    /// How much later the follower moves; negative where it moves first.
    pub lag_s: Measured,
    /// Difference while moving after removal of the lag: uneven motion of either side, root mean
    /// square beyond the measurement's own noise.
    pub uneven_deg: f64,
    /// Its expanded uncertainty (k = 2); missing in files of earlier programs.
    #[serde(default)]
    pub uneven_u_deg: Option<f64>,
}

/// Output of the response stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Responses {
    /// In the order of the model file.
    pub surfaces: Vec<Response>,
    /// Joint covariance of all station deflections, deg²; rows run over the surfaces in order and
    /// within a surface over its stations.
    pub covariance_deg2: DMatrix<f64>,
    /// One entry a follower, in the order of the model file, where both sides were seen moving.
    pub lags: Vec<SideLag>,
    /// Places of the tags with the surfaces at neutral, if the fit determines them.
    pub neutral: Option<TagsAtNeutral>,
    /// The neutrals against each other, where a position was shown in which all are level.
    pub level: Option<LevelZero>,
}

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
    let lags = side_lags(motion, holds, (&means, &surfaces), model);
    warning::doubt_lags(&lags, warnings);
    let health = surfaces.iter().map(|response| &response.health);
    let level_frames = holds.level_frames.as_ref();
    let level = level_frames.and_then(|(span_s, frames)| {
        let shown_by = format!("{} s to {} s of the clip", span_s[0], span_s[1]);
        LevelZero::of_frames(motion, &means, (shown_by, frames))
    });
    if level_frames.is_some() && level.is_none() {
        warnings.push(ResponseWarning::LevelNotMeasured);
    }
    Ok(Responses {
        level,
        neutral: neutral::tags_at_neutral(motion, &means, health),
        surfaces,
        covariance_deg2: all.covariance_deg2,
        lags,
    })
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
    (means, responses): (&[SurfaceMeans], &[Response]),
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
