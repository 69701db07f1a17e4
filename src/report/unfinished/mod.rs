//! The page for a clip that could not be measured: why, what to do, and what the clip shows over
//! time.

mod holds;
mod tags;
mod timeline;

use askama::Template;

use crate::clip::ClipInfo;
use crate::measurement::shown_for_s;
use crate::model_file::ModelFile;
use crate::names::without_unseen;
use crate::stations::SeenRest;
use crate::tags::SightedFrame;
use crate::warning::WarningText;

use super::format::{self, Format, in_both_formats};
use super::still::seen_still;
use super::{NamedFile, Picture, ReportError, figures};
use holds::HoldView;
use tags::TagRow;

pub use holds::hold_still;

/// Name of the page.
pub const UNFINISHED_PAGE: &str = "not-measured.html";

/// Findings in a clip that could not be measured.
#[derive(Debug, Clone)]
pub struct Unfinished<'a> {
    /// The model file.
    pub model: &'a ModelFile,
    /// The clip.
    pub clip: &'a ClipInfo,
    /// Why it was not measured.
    pub reason: String,
    /// Help, if there is any.
    pub help: Option<String>,
    /// Every frame with its sightings; none if the search of the clip failed.
    pub frames: &'a [SightedFrame],
    /// Every rest of all surfaces, in time; none where their motion is not known.
    pub rests: &'a [SeenRest],
    /// A drawing of each rest as SVG, as many of the first as there are.
    pub rest_stills: &'a [String],
    /// Warnings of the finished stages.
    pub warnings: &'a [WarningText],
    /// A frame with its sightings.
    pub picture: Option<Picture<'a>>,
}

#[derive(Template)]
#[template(path = "unfinished.html", config = "src/report/askama.toml")]
struct Page<'a> {
    seen: &'a Unfinished<'a>,
    clip: String,
    reason: String,
    help: String,
    duration: String,
    timeline: Option<String>,
    tags: Vec<TagRow>,
    still: Option<String>,
    still_time: String,
    holds: Vec<HoldView<'a>>,
    counted: bool,
    program: String,
}

/// The page as a file.
///
/// # Errors
/// The page could not be put together.
pub fn unfinished_page(seen: &Unfinished<'_>) -> Result<NamedFile, ReportError> {
    let drawn = |format| {
        let picture = seen.picture.as_ref();
        let still = picture.map(|picture| seen_still(seen.model, picture, format));
        still.transpose()
    };
    let stills = drawn(Format::Wide)?.zip(drawn(Format::Narrow)?);
    let duration_s = shown_for_s(seen.frames.iter().map(|frame| frame.time_s));
    let holds = holds::hold_views(seen);
    let page = Page {
        seen,
        clip: seen.clip.path.display().to_string(),
        reason: glued_sentence(&seen.reason),
        help: seen.help.as_deref().map(glued_sentence).unwrap_or_default(),
        duration: format!("{duration_s:.1}"),
        timeline: (seen.frames.len() > 1)
            .then(|| in_both_formats(|format| timeline::timeline(seen, format))),
        tags: tags::tag_rows(seen),
        still: stills.map(|(wide, narrow)| format::html([&wide, &narrow])),
        still_time: seen.picture.map_or_else(String::new, |picture| {
            format!("{:.1}", picture.sighted.time_s)
        }),
        counted: holds.iter().any(|hold| !hold.deflections.is_empty()),
        holds,
        program: crate::measurement::program(),
    };
    let page = without_unseen(&page.render()?);
    Ok(NamedFile::text(UNFINISHED_PAGE, page))
}

/// A message as a sentence whose figures stay on one line.
fn glued_sentence(message: &str) -> String {
    figures::glued(&figures::sentence(message))
}
