//! Puts the outputs of the stages together.

use crate::camera::CameraProfile;
use crate::conventions::rad_from_deg;
use crate::matching::{Correction, MatchingWarning};
use crate::model_file::{MatchGroup, ModelFile, Radio, Surface};
use crate::motion::{Motion, SurfaceMotion};
use crate::response::{Response, Responses};
use crate::stations::LogTiming;
use crate::tags::Sightings;
use crate::warning::WarningText;

use super::{
    CameraRecord, ClipRecord, FORMAT, FitRecord, FrameRow, FunctionRecord, HingeRecord,
    Measurement, MeasurementError, PictureMotionRecord, SurfaceRecord, Trace, VERSION, rounding,
};

/// Points of the kept trace; more are indistinguishable in a chart of a page's width.
const TRACE_POINTS: usize = 600;

/// Output of the stages.
#[derive(Debug, Clone, Copy)]
pub struct Stages<'a> {
    /// The clip and its sightings.
    pub sightings: &'a Sightings,
    /// The camera profile that was used.
    pub profile: &'a CameraProfile,
    /// The model file, with the measured surfaces only.
    pub model: &'a ModelFile,
    /// The function of these surfaces, where the file declares functions.
    pub function: Option<&'a str>,
    /// From the joint fit.
    pub motion: &'a Motion,
    /// Every surface in every frame.
    pub rows: &'a [FrameRow],
    /// Deflections by station.
    pub responses: &'a Responses,
    /// Alignment of the stick log in the clip's time, if there was one.
    pub stick_log: Option<&'a LogTiming>,
    /// One entry a follower.
    pub corrections: &'a [Correction],
    /// Warnings.
    pub warnings: &'a [WarningText],
    /// Day of the measurement, `YYYY-MM-DD`.
    pub date: Option<&'a str>,
}

impl Measurement {
    /// The record of one measurement, its figures rounded for files.
    pub fn assemble(stages: &Stages<'_>) -> Result<Self, MeasurementError> {
        Self {
            format: FORMAT.into(),
            version: VERSION,
            program: program(),
            date: stages.date.map(Into::into),
            model: stages.model.name.clone(),
            source: None,
            clip: clip_record(stages),
            camera: camera_record(stages),
            airframe_tags: stages.model.airframe_tags.clone(),
            fit: FitRecord {
                reprojection_rms_px: Some(stages.motion.reprojection_rms_px),
                allowed_rms_px: Some(stages.motion.allowed_rms_px),
            },
            functions: function_record(stages).into_iter().collect(),
            surfaces: surface_records(stages),
            not_measured: Vec::new(),
            lags: stages.responses.lags.clone(),
            stick_log: stages.stick_log.cloned(),
            station_covariance_deg2: stages
                .responses
                .covariance_deg2
                .row_iter()
                .map(|row| row.iter().copied().collect())
                .collect(),
            neutral: stages.responses.neutral.as_ref().map(Into::into),
            level_zero: stages.responses.level.clone(),
            groups: stages.model.matches.clone(),
            radio: stages.model.radio.clone(),
            matches: stages.corrections.to_vec(),
            warnings: stages.warnings.to_vec(),
            trace: thinned(stages.rows, stages.motion.surfaces.len()),
        }
        .rounded()
    }

    /// The same measurement, matched again with other groups or another radio.
    ///
    /// Replaces warnings of the earlier matching; warnings about the clip and the fit stay.
    pub fn rematched(
        &self,
        groups: Vec<MatchGroup>,
        radio: Option<Radio>,
        matches: Vec<Correction>,
        warnings: &[MatchingWarning],
    ) -> Result<Self, MeasurementError> {
        let lasting = self
            .warnings
            .iter()
            .filter(|warning| !MatchingWarning::CODES.contains(&warning.code.as_str()));
        Self {
            program: program(),
            groups,
            radio,
            matches,
            warnings: lasting
                .cloned()
                .chain(warnings.iter().map(WarningText::from))
                .collect(),
            ..self.clone()
        }
        .rounded()
    }

    fn rounded(mut self) -> Result<Self, MeasurementError> {
        // By far the largest part if a clip has hundreds of holds. As a document they would take several times
        // their memory, and variances need more decimals, so they are rounded in place.
        let mut covariances: Vec<Vec<Vec<f64>>> = self
            .covariances_mut()
            .into_iter()
            .map(std::mem::take)
            .collect();
        for covariance in &mut covariances {
            rounding::round_variances(covariance)?;
        }
        let mut document = serde_json::to_value(&self)
            .map_err(|source| MeasurementError::NotWritable { source })?;
        rounding::round(&mut document);
        // A figure that is no number has become null and is refused here.
        let mut rounded: Self = serde_json::from_value(document).map_err(|source| {
            let reason = source.to_string();
            MeasurementError::NotFinite { reason }
        })?;
        for (place, covariance) in rounded.covariances_mut().into_iter().zip(covariances) {
            *place = covariance;
        }
        Ok(rounded)
    }

    /// All covariance matrices of the record.
    fn covariances_mut(&mut self) -> Vec<&mut Vec<Vec<f64>>> {
        let of_functions = self
            .functions
            .iter_mut()
            .filter_map(|function| function.neutral.as_mut());
        let neutrals = self.neutral.as_mut().into_iter().chain(of_functions);
        let level = self
            .level_zero
            .as_mut()
            .map(|level| &mut level.covariance_deg2);
        [&mut self.station_covariance_deg2]
            .into_iter()
            .chain(neutrals.map(|neutral| &mut neutral.pose_covariance))
            .chain(level)
            .collect()
    }
}

/// Name and version of the program.
pub fn program() -> String {
    concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).into()
}

fn clip_record(stages: &Stages<'_>) -> ClipRecord {
    let frames = &stages.motion.frames;
    let times_s = frames.iter().map(|frame| frame.time_s);
    ClipRecord {
        path: stages.sightings.clip.path.display().to_string(),
        frames: frames.len(),
        duration_s: shown_for_s(times_s),
        width_px: stages.sightings.clip.width_px,
        height_px: stages.sightings.clip.height_px,
    }
}

/// How long frames at these times are shown: the last one for as long as the others are on average.
pub fn shown_for_s(times_s: impl ExactSizeIterator<Item = f64> + DoubleEndedIterator) -> f64 {
    let gaps = times_s.len().saturating_sub(1).max(1) as f64;
    let mut ends = times_s;
    let (first, last) = (ends.next(), ends.next_back());
    let span_s = first
        .zip(last)
        .map_or(0.0, |(first_s, last_s)| last_s - first_s);
    span_s * (1.0 + 1.0 / gaps)
}

fn camera_record(stages: &Stages<'_>) -> CameraRecord {
    CameraRecord {
        profile: stages.profile.name.clone(),
        moved: stages.motion.camera_moved,
        calibration_rms_px: stages.profile.rms_px,
        calibration_views: stages.profile.views,
        landmarks: stages.motion.landmarks,
        picture_motion: stages.motion.picture.map(|wander| PictureMotionRecord {
            shift_px: wander.shift_sd_px,
            growth_pct: 100.0 * wander.growth_sd,
        }),
        readout_ms: (stages.motion.readout_s).map(|readout_s| readout_s.scaled(1e3)),
    }
}

fn function_record(stages: &Stages<'_>) -> Option<FunctionRecord> {
    let surfaces = stages.motion.surfaces.iter();
    Some(FunctionRecord {
        name: stages.function?.to_owned(),
        surfaces: surfaces.map(|surface| surface.name.clone()).collect(),
        neutral: None,
        stick_log: None,
    })
}

fn surface_records(stages: &Stages<'_>) -> Vec<SurfaceRecord> {
    stages
        .motion
        .surfaces
        .iter()
        .map(|motion| {
            let declared = stages
                .model
                .surfaces
                .iter()
                .find(|surface| surface.name == motion.name);
            let response = stages
                .responses
                .surfaces
                .iter()
                .find(|response| response.surface == motion.name);
            surface_record(stages, motion, (declared, response))
        })
        .collect()
}

fn surface_record(
    stages: &Stages<'_>,
    motion: &SurfaceMotion,
    known: (Option<&Surface>, Option<&Response>),
) -> SurfaceRecord {
    let (declared, response) = known;
    SurfaceRecord {
        name: motion.name.clone(),
        tag: motion.tag_id,
        side: declared.map(|surface| surface.side),
        upright: declared.is_some_and(|surface| surface.upright),
        edge_mm: declared.map(|surface| surface.edge_mm),
        chord_mm: declared.and_then(|surface| surface.chord_mm),
        frames_measured: stages
            .rows
            .iter()
            .filter(|row| row.surface == motion.name && row.deflection_deg.is_some())
            .count(),
        hinge: HingeRecord {
            axis: (*motion.axis_in_camera).into(),
            point_mm: motion.point_in_camera_mm.into(),
            radius_mm: motion.radius_mm,
            arm: arm_at_neutral(stages, motion),
        },
        stations: response.map_or_else(Vec::new, |response| response.stations.clone()),
        health: response.map_or_else(Default::default, |response| response.health.clone()),
    }
}

/// Direction from the hinge line to the tag's centre at neutral; `None` if the surface was never measured.
fn arm_at_neutral(stages: &Stages<'_>, surface: &SurfaceMotion) -> Option<[f64; 3]> {
    let surfaces = &stages.motion.surfaces;
    let column = surfaces
        .iter()
        .position(|other| other.name == surface.name)?;
    let frames = stages.motion.frames.iter();
    let mut frames = frames.zip(stages.rows.chunks(surfaces.len()));
    let neutral_rad = frames.find_map(|(frame, rows)| {
        let deflection_deg = rows.get(column)?.deflection_deg?.value;
        let angle_rad = frame.deflections.get(column)?.as_ref()?.angle_rad;
        Some(angle_rad - rad_from_deg(deflection_deg))
    })?;
    Some(surface.arm_in_camera(neutral_rad).into_inner().into())
}

fn thinned(rows: &[FrameRow], surface_count: usize) -> Trace {
    let surface_count = surface_count.max(1);
    let frame_count = rows.len() / surface_count;
    let stride = frame_count.div_ceil(TRACE_POINTS).max(1);
    let kept: Vec<&[FrameRow]> = rows.chunks(surface_count).step_by(stride).collect();
    Trace {
        time_s: kept
            .iter()
            .filter_map(|frame| frame.first())
            .map(|row| row.time_s)
            .collect(),
        deflection_deg: (0..surface_count)
            .map(|surface| {
                kept.iter()
                    .map(|frame| {
                        frame
                            .get(surface)
                            .and_then(|row| row.deflection_deg)
                            .map(|deflection_deg| deflection_deg.value)
                    })
                    .collect()
            })
            .collect(),
    }
}
