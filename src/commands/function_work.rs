//! The part of the job that each function of a clip has to itself: motion → holds → responses →
//! corrections → measurement.

use miette::Diagnostic;

use super::CommandError;
use super::level_clip::SearchedLevel;
use super::stage_log::StageLog;
use crate::camera::CameraProfile;
use crate::clip::day_of_file;
use crate::functions::{ClipFunction, FunctionsWarning, InClip, Wanted, cards_shown_for};
use crate::matching;
use crate::measurement::{FrameRow, Measurement, NotMeasured, Stages, frame_rows};
use crate::model_file::ModelFile;
use crate::motion::{self, FitOptions, Motion};
use crate::report;
use crate::response::{self, Responses};
use crate::stations::{self, GivenHold, HoldOptions, Holds};
use crate::tags::{self, Sightings, TagPlan};
use crate::warning::{Warning, WarningText, gather};

/// What all functions of a clip have in common.
pub struct FittedClip<'a> {
    /// What was seen.
    pub sightings: &'a Sightings,
    /// The camera.
    pub profile: &'a CameraProfile,
    /// The fit of all surfaces that move.
    pub motion: &'a Motion,
    /// What the clip shows.
    pub shown: &'a InClip,
    /// Whether the motion chose the functions, and not the person.
    pub chosen_by_motion: bool,
    /// The clip that shows the surfaces held level, where there is one.
    pub level: Option<&'a SearchedLevel>,
    /// The holds with their stations, where they are known before the motion is.
    pub given: Option<&'a [GivenHold]>,
    /// What raises doubt about search and fit.
    pub warnings: &'a [WarningText],
}

/// Fits all surfaces that may be measured, and finds the functions that the clip shows: sightings → motion.
///
/// # Errors
/// Nothing that was wanted can be fitted.
pub fn fit_wanted(
    sightings: &Sightings,
    model: &ModelFile,
    wanted: &Wanted,
    profile: &CameraProfile,
    warnings: &mut Vec<WarningText>,
) -> Result<(Motion, InClip), CommandError> {
    gather(warnings, |doubts| {
        tags::doubt_search(&TagPlan::of(model), &sightings.overview, doubts);
    });
    let options = FitOptions::of_clip(&sightings.clip).for_pictures(&sightings.overview);
    let candidates = wanted.candidates(model);
    let (motion, left_out) = gather(warnings, |doubts| {
        motion::fit_what_moves(sightings, &candidates, profile, &options, doubts)
    })?;
    let mut of_functions = Vec::new();
    let shown = gather(&mut of_functions, |doubts| {
        wanted.in_clip(model, &motion, &left_out, doubts)
    })?;
    // What is missing comes before doubts about what is there.
    warnings.splice(0..0, of_functions);
    Ok((motion, shown))
}

/// One function's part of the record, and its surfaces in every frame.
type Part = (Measurement, Vec<FrameRow>);

impl FittedClip<'_> {
    /// The record of all functions, and every surface in every frame.
    ///
    /// Where the motion chose the functions, one whose stations are not found costs only itself. What
    /// raises doubt about such a function is pushed to `lost`.
    pub fn measure(
        &self,
        log: &mut StageLog,
        lost: &mut Vec<WarningText>,
    ) -> Result<Part, CommandError> {
        let mut not_measured: Vec<NotMeasured> =
            self.shown.missing.iter().map(NotMeasured::from).collect();
        let (mut parts, mut doubts) = (Vec::new(), Vec::new());
        let mut first_error = None;
        for (number, function) in self.shown.functions.iter().enumerate() {
            let before: &[WarningText] = if parts.is_empty() { self.warnings } else { &[] };
            let mut warnings = before.to_vec();
            let measured = self.measure_function(number, &mut warnings, log);
            if measured.is_err() {
                lost.extend(warnings.split_off(before.len()));
            }
            match measured {
                Ok(part) => parts.push(part),
                Err(error) if self.chosen_by_motion => {
                    let doubt = stations_not_found(function, &error);
                    not_measured.extend(without_stations(function, &doubt));
                    doubts.push(WarningText::from(&doubt));
                    first_error.get_or_insert(error);
                }
                Err(error) => return Err(error),
            }
        }
        let (measurements, rows): (Vec<_>, Vec<_>) = parts.into_iter().unzip();
        match (Measurement::joined(measurements), first_error) {
            (Some(mut measurement), _) => {
                measurement.not_measured = not_measured;
                measurement.warnings.append(&mut doubts);
                Ok((measurement, joined_rows(rows)))
            }
            (None, Some(error)) => Err(error),
            (None, None) => Err(CommandError::NothingShown),
        }
    }

    fn measure_function(
        &self,
        number: usize,
        warnings: &mut Vec<WarningText>,
        log: &mut StageLog,
    ) -> Result<Part, CommandError> {
        let functions = &self.shown.functions;
        let function = &functions[number];
        let model = &function.model;
        let (own_motion, own_cards);
        let (motion, cards) = if functions.len() == 1 {
            (self.motion, self.sightings)
        } else {
            own_motion = self.motion.of_surfaces(&function.surfaces);
            own_cards = cards_shown_for(self.sightings, self.motion, functions, number);
            (&own_motion, &own_cards)
        };
        let holds = self.holds(motion, cards, model, warnings)?;
        let files = || Ok(report::trace_of_stations(number + 1, &holds.holds)?);
        log.traced("stations", files);

        let mut responses = gather(warnings, |doubts| {
            response::respond(motion, &holds, model, doubts)
        })?;
        let files = || Ok(report::trace_of_responses(number + 1, &responses)?);
        log.traced("response", files);
        self.lay_level_over(motion, &mut responses, warnings, log);

        let (groups, radio) = (&model.matches, model.radio.as_ref());
        let corrections = gather(warnings, |doubts| {
            matching::match_groups(&responses, groups, radio, doubts)
        })?;
        log.stage("matching");

        let rows = frame_rows(motion, &holds);
        let measurement = Measurement::assemble(&Stages {
            sightings: self.sightings,
            profile: self.profile,
            model,
            function: function.name.as_deref(),
            motion,
            rows: &rows,
            responses: &responses,
            stick_log: holds.log.as_ref(),
            corrections: &corrections,
            warnings,
            date: day_of_file(&self.sightings.clip.path).as_deref(),
        })?;
        Ok((measurement, rows))
    }

    /// Adds the level position of another clip to the responses; a warning says why it is not used.
    fn lay_level_over(
        &self,
        motion: &Motion,
        responses: &mut Responses,
        warnings: &mut Vec<WarningText>,
        log: &mut StageLog,
    ) {
        if let Some(level) = self.level {
            let laid_over = level.lay_over(self.profile, motion, responses);
            warnings.extend(laid_over.err().as_ref().map(WarningText::from));
            log.stage("level zero");
        }
    }

    /// The holds of a function: known ones, or those that the motion shows.
    fn holds(
        &self,
        motion: &Motion,
        cards: &Sightings,
        model: &ModelFile,
        warnings: &mut Vec<WarningText>,
    ) -> Result<Holds, CommandError> {
        let options = HoldOptions::default();
        Ok(gather(warnings, |doubts| match self.given {
            Some(given) => stations::holds_as_given(motion, given, model, doubts),
            None => stations::find_holds(motion, cards, model, &options, doubts),
        })?)
    }
}

fn stations_not_found(function: &ClipFunction, error: &CommandError) -> FunctionsWarning {
    FunctionsWarning::StationsNotFound {
        function: function.name.clone().unwrap_or_default(),
        reason: error.to_string(),
        help: error
            .help()
            .map(|help| help.to_string())
            .unwrap_or_default(),
    }
}

/// The surfaces of a function whose stick positions were not found.
fn without_stations(function: &ClipFunction, doubt: &FunctionsWarning) -> Vec<NotMeasured> {
    let surfaces = function.model.surfaces.iter();
    surfaces
        .map(|surface| NotMeasured {
            surface: surface.name.clone(),
            reason: NotMeasured::NO_STATIONS.into(),
            text: doubt.text(),
            help: doubt.mend(),
            tags_instead: Vec::new(),
            unmatched_with: Vec::new(),
        })
        .collect()
}

/// All rows in time; within a frame function by function.
fn joined_rows(parts: Vec<Vec<FrameRow>>) -> Vec<FrameRow> {
    let several = parts.len() > 1;
    let mut rows = parts.into_iter().flatten().collect::<Vec<_>>();
    if several {
        rows.sort_by_key(|row| row.frame);
    }
    rows
}
