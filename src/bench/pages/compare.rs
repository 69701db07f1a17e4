//! Before and after, and how throws went over time.

use std::path::PathBuf;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;

use super::aircraft::Row;
use super::{At, Shell, page, sandboxed};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::workshop::{Aircraft, Measured};
use crate::bench::{Bench, Refusal, Shared};
use crate::comparison::Comparison;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::names::of_file;
use crate::record::{self, Kept, NeutralDrift, Source};
use crate::report::{
    Throws, comparison_page, neutral_charts, neutral_lines, signed_deg, throws_charts,
};

#[derive(Template)]
#[template(path = "history.html", config = "src/bench/askama.toml")]
struct History {
    shell: Shell,
    measured: Vec<Row>,
    pairs: Vec<(String, String, String)>,
    kept: Vec<Row>,
    /// The address of the latest setup sheet.
    sheet: Option<String>,
    throws: Vec<Rows>,
    neutral: Vec<String>,
    neutral_charts: Vec<[String; 2]>,
}

#[derive(Template)]
#[template(path = "report.html", config = "src/bench/askama.toml")]
struct Compare {
    shell: Shell,
    address: String,
    back: String,
}

/// The largest deflections of one surface in each measurement, the latest first.
struct Rows {
    surface: String,
    /// What the two ends are called.
    ways: [&'static str; 2],
    /// For a screen and for a phone; none for a single measurement.
    charts: Option<[String; 2]>,
    rows: Vec<(String, String, String)>,
}

pub async fn history(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        let name = course.aircraft.name();
        let kept = &course.kept;
        // What was kept in the record is most often still in the folder as well.
        let is_copy = |kept: &&Measured| {
            let mut measured = course.measured.iter();
            measured.any(|one| one.measurement == kept.measurement)
        };
        let only_kept = kept.iter().filter(|kept| !is_copy(kept));
        let mut all: Vec<Measured> = course.measured.iter().chain(only_kept).cloned().collect();
        let age = |one: &Measured| (one.measurement.date.clone(), one.written);
        all.sort_by_key(|one| std::cmp::Reverse(age(one)));
        let latest = course.measured.first().or(kept.first());
        let pairs = latest.map_or_else(Vec::new, |latest| {
            let earlier = all.iter().filter(|one| one.id != latest.id);
            let earlier = earlier.filter(|one| one.measurement != latest.measurement);
            let pairs = earlier.map(|one| {
                let row = Row::of(one);
                (
                    one.id.clone(),
                    latest.id.clone(),
                    format!("{}, {}", row.day, row.clip),
                )
            });
            pairs.collect()
        });
        let neutral = Neutral::of(kept, &course.aircraft);
        page(&History {
            shell: Shell::step(format!("Compare {name}"), &course, At::Check),
            measured: course.measured.iter().map(Row::of).collect(),
            throws: throws(&all),
            neutral: neutral.lines,
            neutral_charts: neutral.charts,
            sheet: latest_sheet(&bench, &course.aircraft)
                .map(|_| format!("/aircraft/{id}/setup-sheet.html")),
            kept: kept.iter().map(Row::of).collect(),
            pairs,
        })
    })
    .await
}

fn throws(measured: &[Measured]) -> Vec<Rows> {
    let Some(latest) = measured.first() else {
        return Vec::new();
    };
    let surfaces = latest.measurement.surfaces.iter();
    surfaces
        .map(|surface| {
            let ends = measured.iter().filter_map(|one| {
                let record = one.measurement.surface(&surface.name)?;
                Some((Row::of(one).day, ends(record)?))
            });
            let ends: Vec<(String, Throws)> = ends.collect();
            let oldest_first: Vec<Throws> = ends.iter().rev().map(|(_, ends)| *ends).collect();
            Rows {
                surface: surface.name.clone(),
                ways: match surface.upright {
                    true => ["Left", "Right"],
                    false => ["Up", "Down"],
                },
                charts: (ends.len() > 1).then(|| throws_charts(&surface.name, &oldest_first)),
                rows: (ends.into_iter())
                    .map(|(day, ends)| {
                        (
                            day,
                            signed_deg(ends.highest_deg),
                            signed_deg(ends.lowest_deg),
                        )
                    })
                    .collect(),
            }
        })
        .collect()
}

/// The deflections at both ends of a surface's travel.
fn ends(record: &SurfaceRecord) -> Option<Throws> {
    let [highest, lowest] = record.ends()?;
    Some(Throws {
        highest_deg: highest.deflection_deg,
        lowest_deg: lowest.deflection_deg,
    })
}

/// How neutral of each surface changed within the record.
#[derive(Default)]
struct Neutral {
    /// In words, as `record` says it.
    lines: Vec<String>,
    /// For a screen and for a phone.
    charts: Vec<[String; 2]>,
}

impl Neutral {
    fn of(kept: &[Measured], aircraft: &Aircraft) -> Self {
        let mut kept: Vec<Kept> = (kept.iter())
            .map(|one| Kept {
                name: of_file(&one.folder),
                measurement: Measurement::clone(&one.measurement),
            })
            .collect();
        record::latest_first(&mut kept);
        let Ok(model) = &aircraft.model else {
            return Self::default();
        };
        let sources = record::sources(&kept, model);
        let drifts: Vec<NeutralDrift> = sources.iter().flat_map(Source::neutral_drifts).collect();
        let earlier = sources.first().map_or(&[][..], |latest| latest.earlier);
        let charts = model.surfaces.iter().filter_map(|surface| {
            let against_latest_deg = record::neutral_against_latest(&surface.name, &drifts)?;
            Some(neutral_charts(&surface.name, &against_latest_deg))
        });
        Self {
            charts: charts.collect(),
            lines: neutral_lines(&drifts, earlier),
        }
    }
}

/// The latest setup sheet of the record, which `record` writes; its name inside the folder.
fn latest_sheet(bench: &Bench, aircraft: &Aircraft) -> Option<PathBuf> {
    let home = record::record_folder(&aircraft.file);
    let entries = std::fs::read_dir(bench.workshop.path(&home)).ok()?;
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let sheets = names.filter_map(|name| Some((record::sheet_number(&name)?, name)));
    sheets.max().map(|(_, name)| home.join(name))
}

pub async fn sheet(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let aircraft = bench.workshop.aircraft_of(&id)?;
        let sheet = latest_sheet(&bench, &aircraft);
        let text = sheet.and_then(|sheet| bench.workshop.read(&sheet));
        Ok(sandboxed(
            text.ok_or_else(|| Refusal::not_found("setup sheet"))?,
        ))
    })
    .await
}

pub async fn compare(
    State(bench): State<Shared>,
    Path((before, after)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    blocking(move || {
        bench.workshop.measurement_of(&before)?;
        let measured = bench.workshop.measurement_of(&after)?;
        let model = &measured.measurement.model;
        let course = Course::of_model(&bench, model);
        page(&Compare {
            shell: Shell::of_model(
                format!("Before and after: {model}"),
                course.as_ref(),
                At::Check,
            ),
            address: format!("/compare/{before}/{after}/comparison.html"),
            back: course.map_or("/".into(), |course| {
                format!("/aircraft/{}/history", course.aircraft.id)
            }),
        })
    })
    .await
}

pub async fn comparison(
    State(bench): State<Shared>,
    Path((before, after)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let before = bench.workshop.measurement_of(&before)?.measurement;
        let after = bench.workshop.measurement_of(&after)?.measurement;
        let comparison = Comparison::of(&before, &after)?;
        Ok(sandboxed(comparison_page(&comparison, &before, &after)?))
    })
    .await
}
