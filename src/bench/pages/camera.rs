//! Cameras: their profiles with verdict and age, and calibrations in the line.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;

use super::{Place, Shell, onward, page, sandboxed};
use crate::bench::api::measurements::Shown;
use crate::bench::blocking::blocking;
use crate::bench::guide::Device;
use crate::bench::line::{Entry, Order};
use crate::bench::workshop::Camera;
use crate::bench::{Bench, Refusal, Shared, calibrate};
use crate::camera::calibration::Grade;

#[derive(Template)]
#[template(path = "camera.html", config = "src/bench/askama.toml")]
struct List {
    shell: Shell,
    cameras: Vec<Row>,
    working: Vec<(String, String, Shown)>,
}

struct Row {
    id: String,
    name: String,
    about: String,
    verdict: String,
    is_good: bool,
}

#[derive(Template)]
#[template(path = "camera_one.html", config = "src/bench/askama.toml")]
struct One {
    shell: Shell,
    row: Row,
    file: String,
    has_report: bool,
    made_with: Option<Device>,
}

fn row(bench: &Bench, camera: &Camera) -> Row {
    let (about, verdict, is_good) = match &camera.profile {
        Err(_) => (
            "The file has faults.".to_owned(),
            "cannot be used".to_owned(),
            false,
        ),
        Ok(profile) => {
            let views = profile.views.map(|views| format!(", {views} views"));
            let rms = profile.rms_px.map(|rms_px| format!(", {rms_px:.2} px RMS"));
            let about = format!(
                "{} × {} pixels{}{}, {}",
                profile.width_px,
                profile.height_px,
                views.unwrap_or_default(),
                rms.unwrap_or_default(),
                age(bench, camera)
            );
            let (verdict, is_good) = verdict(Grade::of_profile(profile));
            (about, verdict, is_good)
        }
    };
    Row {
        id: camera.id.clone(),
        name: camera.name(),
        about,
        verdict,
        is_good,
    }
}

fn verdict(judged: Option<(Grade, f64)>) -> (String, bool) {
    let Some((grade, u_deg)) = judged else {
        let words = "no uncertainty stated: the bench cannot say how good it is";
        return (words.into(), false);
    };
    let grade_words = grade.words();
    let words = format!("{grade_words}: adds ±{u_deg:.3}° to a 30° deflection (k = 2)",);
    (words, grade == Grade::Good)
}

fn age(bench: &Bench, camera: &Camera) -> String {
    let written = crate::clip::day_of_file(&bench.workshop.path(&camera.file));
    written.map_or_else(|| "unknown age".into(), |day| format!("of {day}"))
}

pub async fn list(State(bench): State<Shared>) -> Result<Response, Refusal> {
    blocking(move || {
        let entries = bench.line.entries();
        let working = entries.iter().filter_map(|entry| match &entry.order {
            Order::Calibrate(order) => {
                Some((entry.id.clone(), order.name.clone(), Shown::of(entry)))
            }
            Order::Measure(_) => None,
        });
        page(&List {
            shell: Shell::of("Cameras", Place::Camera),
            cameras: bench
                .workshop
                .cameras()
                .iter()
                .map(|camera| row(&bench, camera))
                .collect(),
            working: working.collect(),
        })
    })
    .await
}

pub async fn one(State(bench): State<Shared>, Path(id): Path<String>) -> Result<Response, Refusal> {
    blocking(move || {
        if let Some(Entry { id, .. }) = bench.line.entry(&id) {
            return Ok(onward(&format!("/measurements/{id}")));
        }
        let camera = bench.workshop.camera_of(&id)?;
        let report = calibrate::Order::page(&camera.file);
        page(&One {
            shell: Shell::of(camera.name(), Place::Camera),
            row: row(&bench, &camera),
            file: camera.file.display().to_string(),
            made_with: Device::of(&bench, &camera.file),
            has_report: bench.workshop.path(&report).is_file(),
        })
    })
    .await
}

/// The page that was written with a profile.
pub async fn report(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let camera = bench.workshop.camera_of(&id)?;
        let report = bench.workshop.read(&calibrate::Order::page(&camera.file));
        Ok(sandboxed(
            report.ok_or_else(|| Refusal::not_found("report"))?,
        ))
    })
    .await
}
