//! A clip that has arrived: what came, which camera fits, and the tags in its first picture.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};

use super::{At, Shell, page};
use crate::bench::api::clips::About;
use crate::bench::api::measurements::SANDBOX;
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::look::{Look, TagLook};
use crate::bench::{Refusal, Shared};

/// Pictures of 1080p that two cores measure in a second (the bundled clips: 353 in 1.9 s).
const FRAMES_PER_S: f64 = 186.0;
const PIXELS_OF_1080P: f64 = 1920.0 * 1080.0;

/// Phones rarely film pictures less wide than this, px: a copy was probably reduced on its way.
const SMALL_WIDTH_PX: usize = 1280;

/// Most clips of the folder that are offered as the one with level surfaces.
const MOST_LEVELS: usize = 12;

#[derive(Template)]
#[template(path = "look.html", config = "src/bench/askama.toml")]
struct Page {
    shell: Shell,
    id: String,
    clip: String,
    came: String,
    is_small: bool,
    takes: String,
    cameras: Vec<(String, String)>,
    others: usize,
    tags: Vec<TagLook>,
    undeclared: String,
    /// Clips that may show the surfaces held level.
    levels: Vec<(String, String)>,
}

pub async fn look(
    State(bench): State<Shared>,
    Path((id, clip)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        let clip = bench.workshop.clip_of(&clip)?;
        let about = About::clip(&bench, &clip.file)?;
        let (tags, undeclared) = match &course.aircraft.model {
            Ok(model) => {
                let look = Look::at(&bench, model, &clip.file)?;
                (look.tags, look.undeclared)
            }
            Err(_) => (Vec::new(), Vec::new()),
        };
        let cameras = bench.workshop.cameras();
        let fits: Vec<(String, String)> = (cameras.iter())
            .filter(|camera| about.fits.contains(&camera.id))
            .map(|camera| (camera.id.clone(), camera.name()))
            .collect();
        let others = bench.workshop.clips().into_iter();
        let levels = (others.filter(|other| other.id != clip.id).take(MOST_LEVELS))
            .map(|other| (other.id, other.file.display().to_string()))
            .collect();
        let undeclared: Vec<String> = undeclared.iter().map(u32::to_string).collect();
        page(&Page {
            shell: Shell::step(format!("Clip {}", about.name), &course, At::Film),
            id,
            clip: clip.id,
            came: came(&about),
            is_small: about.width_px.max(about.height_px) < SMALL_WIDTH_PX,
            takes: takes(&about),
            others: cameras.len() - fits.len(),
            cameras: fits,
            tags,
            undeclared: undeclared.join(", "),
            levels,
        })
    })
    .await
}

/// What came, in one sentence.
fn came(about: &About) -> String {
    let codec = match about.codec.as_str() {
        "h264" => "H.264",
        "hevc" => "HEVC (H.265)",
        other => other,
    };
    let rate = about
        .frames_per_s
        .map(|rate| format!(", {rate:.0} pictures a second"));
    let length = about
        .duration_s
        .map(|length_s| format!(", {length_s:.1} s"));
    let shape = match about.height_px > about.width_px {
        true => "portrait",
        false => "landscape",
    };
    format!(
        "{codec}, {} × {} pixels, {shape}{}{}, {:.1} MB",
        about.width_px,
        about.height_px,
        rate.unwrap_or_default(),
        length.unwrap_or_default(),
        about.bytes as f64 / 1e6
    )
}

/// How long measuring takes, in words.
fn takes(about: &About) -> String {
    let (Some(length_s), Some(rate)) = (about.duration_s, about.frames_per_s) else {
        return String::new();
    };
    let pixels = (about.width_px * about.height_px) as f64 / PIXELS_OF_1080P;
    let takes_s = (length_s * rate * pixels / FRAMES_PER_S).ceil();
    match takes_s {
        takes_s if takes_s < 90.0 => format!("Measuring takes about {takes_s:.0} s."),
        takes_s => format!("Measuring takes about {:.0} minutes.", takes_s / 60.0),
    }
}

pub async fn picture(
    State(bench): State<Shared>,
    Path((id, clip)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let model = bench.workshop.aircraft_of(&id)?.model?;
        let clip = bench.workshop.clip_of(&clip)?;
        let drawing = Look::at(&bench, &model, &clip.file)?.picture(&model)?;
        let headers = [
            (header::CONTENT_TYPE, "image/svg+xml"),
            (header::CONTENT_SECURITY_POLICY, SANDBOX),
        ];
        Ok((headers, drawing).into_response())
    })
    .await
}
