//! The same figures as tables for other programs (CSV, RFC 4180).

use std::collections::BTreeMap;

use crate::measured::Measured;
use crate::measurement::{FrameRow, Measurement, rounded_for_files};
use crate::motion::FitPass;
use crate::response::Responses;
use crate::solver::Ending;
use crate::stations::{Hold, SeenRest};
use crate::tags::SightedFrame;

use super::ReportError;
use super::page::approach_word;
use crate::names::harmless_cell;

/// `frames.csv`: every surface in every frame; fields are empty where nothing is known.
pub fn frames_csv(rows: &[FrameRow]) -> Result<Vec<u8>, ReportError> {
    let head = [
        "frame",
        "time_s",
        "surface",
        "deflection_deg",
        "u_deg",
        "stick_pct",
    ];
    let rows = rows.iter().map(|row| {
        let deflection_deg = row.deflection_deg;
        [
            row.frame.to_string(),
            figure(row.time_s),
            harmless_cell(&row.surface),
            optional(deflection_deg.map(|deflection_deg| deflection_deg.value)),
            optional(deflection_deg.as_ref().map(Measured::u)),
            optional(row.stick_pct),
        ]
    });
    table(head, rows)
}

/// `stations.csv`: every hold of every surface.
pub fn stations_csv(measurement: &Measurement) -> Result<Vec<u8>, ReportError> {
    let head = [
        "surface",
        "stick_pct",
        "approach",
        "deflection_deg",
        "u_deg",
        "throw_mm",
        "frames",
    ];
    let rows = measurement.surfaces.iter().flat_map(|surface| {
        surface.stations.iter().map(|station| {
            [
                harmless_cell(&surface.name),
                figure(station.stick_pct),
                approach_word(station.approach).into(),
                figure(station.deflection_deg.value),
                figure(station.deflection_deg.u()),
                optional(station.throw_mm.map(|throw_mm| throw_mm.value)),
                station.frames.to_string(),
            ]
        })
    });
    table(head, rows)
}

/// `times.csv`: how long each stage took.
pub fn times_csv(times_s: &[(&str, f64)]) -> Result<Vec<u8>, ReportError> {
    let rows = times_s
        .iter()
        .map(|&(stage, time_s)| [stage.to_string(), figure(time_s)]);
    table(["stage", "time_s"], rows)
}

/// `2-tags.csv` of a trace: how often each tag was found, and when.
pub fn tags_csv(frames: &[SightedFrame]) -> Result<Vec<u8>, ReportError> {
    let mut found: BTreeMap<u32, (usize, [f64; 2])> = BTreeMap::new();
    for frame in frames {
        for seen in &frame.sightings {
            let first = (0, [frame.time_s; 2]);
            let (frames, [_, last_s]) = found.entry(seen.tag_id).or_insert(first);
            *frames += 1;
            *last_s = frame.time_s;
        }
    }
    let rows = found
        .into_iter()
        .map(|(tag_id, (frames, [first_s, last_s]))| {
            [
                tag_id.to_string(),
                frames.to_string(),
                figure(first_s),
                figure(last_s),
            ]
        });
    table(["tag", "frames", "first_s", "last_s"], rows)
}

/// `3-fit.csv` of a trace: every step of every search of the joint fit. A cost is half a χ².
pub fn fit_csv(passes: &[FitPass]) -> Result<Vec<u8>, ReportError> {
    let head = [
        "search",
        "fits",
        "iteration",
        "cost",
        "step",
        "predicted_decrease",
        "damping",
        "search_ended",
    ];
    let rows = passes.iter().enumerate().flat_map(|(search, pass)| {
        let steps = pass.course.iter().enumerate();
        steps.map(move |(iteration, tried)| {
            let is_last = iteration + 1 == pass.course.len();
            let predicted = tried.predicted.map(|decrease| format!("{decrease:.3e}"));
            [
                (search + 1).to_string(),
                pass.fits.to_string(),
                (iteration + 1).to_string(),
                format!("{:.4}", tried.cost),
                if tried.taken { "taken" } else { "refused" }.to_string(),
                predicted.unwrap_or_default(),
                format!("{:.1e}", tried.damping),
                if is_last { ending(pass.ending) } else { "" }.to_string(),
            ]
        })
    });
    table(head, rows)
}

fn ending(ending: Ending) -> &'static str {
    match ending {
        Ending::Converged => "converged",
        Ending::Stalled => "stalled",
        Ending::StepsExhausted => "steps exhausted",
    }
}

/// `4-rests.csv` of a trace: where each surface rested; deflections count from an arbitrary zero.
pub fn rests_csv(surfaces: &[&str], rests: &[SeenRest]) -> Result<Vec<u8>, ReportError> {
    let head = ["rest", "from_s", "to_s", "surface", "deflection_deg"];
    let rows = rests.iter().enumerate().flat_map(|(number, rest)| {
        let [from_s, to_s] = rest.time_s;
        let of_surfaces = surfaces.iter().zip(&rest.deflection_deg);
        of_surfaces.map(move |(surface, deflection_deg)| {
            [
                (number + 1).to_string(),
                figure(from_s),
                figure(to_s),
                harmless_cell(surface),
                optional(*deflection_deg),
            ]
        })
    });
    table(head, rows)
}

/// `4-stations-function-….csv` of a trace: every hold of a function with its station.
pub fn holds_csv(holds: &[Hold]) -> Result<Vec<u8>, ReportError> {
    let rows = holds.iter().enumerate().map(|(number, hold)| {
        [
            (number + 1).to_string(),
            figure(hold.stick_pct),
            approach_word(hold.approach).into(),
            figure(hold.time_s[0]),
            figure(hold.time_s[1]),
            hold.frames.len().to_string(),
        ]
    });
    let head = ["hold", "stick_pct", "approach", "from_s", "to_s", "frames"];
    table(head, rows)
}

/// `5-response-function-….csv` of a trace: the deflections of a function's surfaces.
pub fn responses_csv(responses: &Responses) -> Result<Vec<u8>, ReportError> {
    let rows = responses.surfaces.iter().flat_map(|surface| {
        surface.stations.iter().map(|station| {
            [
                harmless_cell(&surface.surface),
                figure(station.stick_pct),
                approach_word(station.approach).into(),
                figure(station.deflection_deg.value),
                figure(station.deflection_deg.u()),
            ]
        })
    });
    let head = [
        "surface",
        "stick_pct",
        "approach",
        "deflection_deg",
        "u_deg",
    ];
    table(head, rows)
}

fn table<const N: usize>(
    head: [&str; N],
    rows: impl Iterator<Item = [String; N]>,
) -> Result<Vec<u8>, ReportError> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(head)?;
    for row in rows {
        writer.write_record(row)?;
    }
    writer
        .into_inner()
        .map_err(|error| ReportError::Table(error.into_error().into()))
}

fn figure(value: f64) -> String {
    rounded_for_files(value).to_string()
}

fn optional(value: Option<f64>) -> String {
    value.map_or_else(String::new, figure)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measurement::sample::{LEFT, heron};

    #[test]
    fn frames_leave_empty_what_is_not_known() {
        let row = |deflection_deg, stick_pct| FrameRow {
            frame: 7,
            time_s: 0.233_333_333,
            surface: LEFT.into(),
            deflection_deg,
            stick_pct,
        };
        let rows = [
            row(Some(Measured::new(6.25, 0.015)), Some(25.0)),
            row(None, None),
        ];
        let text = String::from_utf8(frames_csv(&rows).unwrap()).unwrap();
        assert_eq!(
            text,
            "frame,time_s,surface,deflection_deg,u_deg,stick_pct\n\
             7,0.233333,left tailplane,6.25,0.03,25\n\
             7,0.233333,left tailplane,,,\n"
        );
    }

    #[test]
    fn names_with_commas_stay_one_field() {
        let mut measurement = heron();
        measurement.surfaces.truncate(1);
        measurement.surfaces[0].name = "left, \"inner\"".into();
        measurement.surfaces[0].stations.truncate(2);
        let text = String::from_utf8(stations_csv(&measurement).unwrap()).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        assert_eq!(
            reader
                .headers()
                .unwrap()
                .iter()
                .collect::<Vec<_>>()
                .join(","),
            "surface,stick_pct,approach,deflection_deg,u_deg,throw_mm,frames"
        );
        let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
        assert_eq!(&rows[1][0], "left, \"inner\"");
        assert_eq!(&rows[1][2], "rising");
        assert_eq!(rows.len(), 2);
    }
}
