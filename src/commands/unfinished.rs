//! The page of a clip that could not be measured, and the error that names it.

use std::error::Error;
use std::fmt;
use std::path::PathBuf;

use miette::Diagnostic;

use super::job::{Job, Seen};
use super::output::{OutputFolder, write_files};
use super::{CommandError, with_causes};
use crate::clip::{Clip, ClipInfo, Frame};
use crate::model_file::ModelFile;
use crate::motion::Motion;
use crate::report::{self, Picture, UNFINISHED_PAGE, Unfinished};
use crate::stations::{self, HoldOptions, SeenRest};
use crate::tags::{SightedFrame, TagPlan, undeclared_tags};

/// Most rests of which a picture is shown; the page stays small enough for a phone.
const MOST_PICTURES: usize = 40;

/// An error of a clip that could not be measured, with the page that shows its contents.
#[derive(Debug)]
pub struct NotMeasured {
    cause: Box<CommandError>,
    page: PathBuf,
}

impl fmt::Display for NotMeasured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.cause.fmt(f)
    }
}

impl Error for NotMeasured {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.cause.source()
    }
}

impl Diagnostic for NotMeasured {
    fn help<'a>(&'a self) -> Option<Box<dyn fmt::Display + 'a>> {
        let page = format!(
            "{} shows the tags and holds in the clip",
            self.page.display()
        );
        Some(Box::new(match self.cause.help() {
            Some(help) => format!("{help}\n{page}"),
            None => page,
        }))
    }
}

/// The error of a job, with a page in the folder where anything was seen. Where no page can be written
/// the error stays as it is: it matters more.
pub fn with_page(
    job: &Job<'_>,
    error: CommandError,
    clip: &ClipInfo,
    seen: Seen,
    folder: OutputFolder,
) -> CommandError {
    let page = folder.target().join(UNFINISHED_PAGE);
    match write(job, &error, clip, seen, folder) {
        Ok(true) => CommandError::NotMeasured(NotMeasured {
            cause: Box::new(error),
            page,
        }),
        Ok(false) | Err(_) => error,
    }
}

/// Every rest of the surfaces that were fitted, with a place for each declared surface.
pub fn rests_seen(model: &ModelFile, motion: &Motion) -> Vec<SeenRest> {
    let fitted = |name: &String| motion.surfaces.iter().position(|one| one.name == *name);
    let places: Vec<Option<usize>> = model
        .surfaces
        .iter()
        .map(|surface| fitted(&surface.name))
        .collect();
    let rests = stations::rests_seen(motion, &HoldOptions::default());
    let of_declared = rests.into_iter().map(|rest| SeenRest {
        deflection_deg: places
            .iter()
            .map(|place| rest.deflection_deg[(*place)?])
            .collect(),
        ..rest
    });
    of_declared.collect()
}

/// Writes the page; not where nothing was seen.
fn write(
    job: &Job<'_>,
    error: &CommandError,
    clip: &ClipInfo,
    seen: Seen,
    folder: OutputFolder,
) -> Result<bool, CommandError> {
    let frames = seen
        .sightings
        .as_ref()
        .map_or(&[][..], |sightings| &sightings.frames);
    let Some(mut shown) = frame_to_show(job, frames, seen.first)? else {
        return Ok(false);
    };
    let others = undeclared_tags(&shown.0.image, &TagPlan::of(job.model))?;
    shown.1.sightings.extend(others);
    let page = report::unfinished_page(&Unfinished {
        model: job.model,
        clip,
        reason: with_causes(error),
        help: error.help().map(|help| help.to_string()),
        frames,
        rests: &seen.rests,
        rest_stills: &rest_stills(job, frames, clip, &seen.rests)?,
        warnings: &seen.warnings,
        picture: Some(Picture {
            image: &shown.0.image,
            levels: clip.levels,
            sighted: &shown.1,
            camera: &job.profile.camera,
        }),
    })?;
    write_files(vec![page], folder)?;
    Ok(true)
}

/// The first frame that shows most of the declared tags; the clip's first where it was not searched to
/// its end.
pub(super) fn frame_to_show(
    job: &Job<'_>,
    frames: &[SightedFrame],
    first: Option<Frame>,
) -> Result<Option<(Frame, SightedFrame)>, CommandError> {
    let most = frames
        .iter()
        .rev()
        .max_by_key(|frame| frame.sightings.len());
    let Some(sighted) = most else {
        return Ok(first.map(|frame| {
            let nothing = SightedFrame::without_tags(&frame);
            (frame, nothing)
        }));
    };
    let frame = job.frame_again(sighted, first)?;
    Ok(frame.map(|frame| (frame, sighted.clone())))
}

/// A drawing from the middle of each of the first rests. The clip is read again, up to the last.
fn rest_stills(
    job: &Job<'_>,
    frames: &[SightedFrame],
    clip: &ClipInfo,
    rests: &[SeenRest],
) -> Result<Vec<String>, CommandError> {
    let middles: Vec<&SightedFrame> = rests
        .iter()
        .take(MOST_PICTURES)
        .filter_map(|rest| nearest(frames, (rest.time_s[0] + rest.time_s[1]) / 2.0))
        .collect();
    let mut stills = Vec::new();
    if middles.is_empty() {
        return Ok(stills);
    }
    let mut reader = Clip::open(job.clip, &job.clip_options)?;
    while let (Some(sighted), Some(frame)) = (
        middles.get(stills.len()),
        reader.next_frame(&mut Vec::new())?,
    ) {
        if frame.index == sighted.index {
            stills.push(report::hold_still(
                job.model,
                &Picture {
                    image: &frame.image,
                    levels: clip.levels,
                    sighted,
                    camera: &job.profile.camera,
                },
            )?);
        }
    }
    Ok(stills)
}

/// The frame nearest to a time.
fn nearest(frames: &[SightedFrame], time_s: f64) -> Option<&SightedFrame> {
    let distance_s = |frame: &SightedFrame| (frame.time_s - time_s).abs();
    frames
        .iter()
        .min_by(|a, b| distance_s(a).total_cmp(&distance_s(b)))
}
