//! Before and after, and how throws went over time.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;

use super::aircraft::Row;
use super::{At, Shell, page, sandboxed};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::workshop::Measured;
use crate::bench::{Refusal, Shared};
use crate::comparison::Comparison;
use crate::report::comparison_page;

#[derive(Template)]
#[template(path = "history.html", config = "src/bench/askama.toml")]
struct History {
    shell: Shell,
    measured: Vec<Row>,
    pairs: Vec<(String, String, String)>,
    kept: Vec<Row>,
    throws: Vec<Throws>,
}

#[derive(Template)]
#[template(path = "report.html", config = "src/bench/askama.toml")]
struct Compare {
    shell: Shell,
    address: String,
    back: String,
}

/// The largest deflections of one surface in each measurement of the record, the latest first.
struct Throws {
    surface: String,
    rows: Vec<(String, String, String)>,
}

pub async fn history(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let course = Course::of(&bench, bench.workshop.aircraft_of(&id)?);
        let name = course.aircraft.name();
        let mut kept = bench.workshop.measurements();
        kept.retain(|one| one.is_kept && one.measurement.model == name);
        let all: Vec<&Measured> = course.measured.iter().chain(&kept).collect();
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
        page(&History {
            shell: Shell::step(format!("Compare {name}"), &course, At::Check),
            measured: course.measured.iter().map(Row::of).collect(),
            throws: throws(if kept.is_empty() {
                &course.measured
            } else {
                &kept
            }),
            kept: kept.iter().map(Row::of).collect(),
            pairs,
        })
    })
    .await
}

fn throws(measured: &[Measured]) -> Vec<Throws> {
    let Some(latest) = measured.first() else {
        return Vec::new();
    };
    let surfaces = latest.measurement.surfaces.iter();
    surfaces
        .map(|surface| Throws {
            surface: surface.name.clone(),
            rows: (measured.iter())
                .filter_map(|one| {
                    let record = one.measurement.surface(&surface.name)?;
                    let deflections = record.stations.iter().map(|one| one.deflection_deg);
                    let by = |a: &crate::measured::Measured, b: &crate::measured::Measured| {
                        a.value.total_cmp(&b.value)
                    };
                    let highest = deflections.clone().max_by(by)?;
                    let lowest = deflections.min_by(by)?;
                    let shown = |one: crate::measured::Measured| {
                        format!("{:+.2}° ±{:.2}°", one.value, one.u()).replace('-', "−")
                    };
                    Some((Row::of(one).day, shown(highest), shown(lowest)))
                })
                .collect(),
        })
        .collect()
}

pub async fn compare(
    State(bench): State<Shared>,
    Path((before, after)): Path<(String, String)>,
) -> Result<Response, Refusal> {
    blocking(move || {
        bench.workshop.measurement_of(&before)?;
        let measured = bench.workshop.measurement_of(&after)?;
        let model = &measured.measurement.model;
        let mut all = bench.workshop.aircraft().into_iter();
        let aircraft = all.find(|aircraft| aircraft.name() == *model);
        page(&Compare {
            shell: Shell::of_model(
                &format!("Before and after: {model}"),
                &bench,
                model,
                At::Check,
            ),
            address: format!("/compare/{before}/{after}/comparison.html"),
            back: aircraft.map_or("/".into(), |one| format!("/aircraft/{}/history", one.id)),
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
