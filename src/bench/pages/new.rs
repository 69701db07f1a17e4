//! A new aircraft: a few questions, and the model file that `new` would write.

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;

use super::{Place, Shell, html, onward, page, sentence};
use crate::bench::blocking::blocking;
use crate::bench::form::{Form, number};
use crate::bench::free_name::{file_stem, free_name};
use crate::bench::ids::{Kind, id};
use crate::bench::model_text::{Answers, fresh};
use crate::bench::{Bench, Refusal, Shared};
use crate::commands::output::OutputFile;
use crate::figures::sentences;
use crate::model_file::NewModelError;
use crate::print::{EDGES_MM, GOOD_EDGE_PX, usual_width_px};

/// The usual surfaces, as pairs or alone.
const USUAL: [(&str, &[&str]); 9] = [
    ("Ailerons", &["left aileron", "right aileron"]),
    ("Flaps", &["left flap", "right flap"]),
    ("Elevator halves", &["left elevator", "right elevator"]),
    (
        "All-moving tailplane halves",
        &["left tailplane", "right tailplane"],
    ),
    ("Elevons", &["left elevon", "right elevon"]),
    ("V-tail", &["left ruddervator", "right ruddervator"]),
    ("Canards", &["left canard", "right canard"]),
    ("Two rudders", &["left rudder", "right rudder"]),
    ("One rudder", &["rudder"]),
];

/// Distances between camera and aircraft that are offered, m.
const DISTANCES_M: [f64; 6] = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0];

/// The smallest tag that a usual phone sees well at a distance.
fn edge_for(distance_m: f64) -> f64 {
    let good = |edge_mm: &f64| usual_width_px(*edge_mm, distance_m) >= GOOD_EDGE_PX;
    let largest = EDGES_MM[EDGES_MM.len() - 1];
    EDGES_MM.into_iter().find(good).unwrap_or(largest)
}

#[derive(Template)]
#[template(path = "new.html", config = "src/bench/askama.toml")]
struct New {
    shell: Shell,
    form: Form,
    usual: Vec<Usual>,
    distances: Vec<(String, String)>,
    wrong: Vec<Wrong>,
}

struct Usual {
    name: &'static str,
    surfaces: String,
    is_chosen: bool,
}

/// A fault beside its field.
struct Wrong {
    field: &'static str,
    error: String,
}

impl New {
    fn of(form: Form, wrong: Vec<Wrong>) -> Self {
        let usual = USUAL.iter().map(|(name, surfaces)| Usual {
            name,
            surfaces: surfaces.join(", "),
            is_chosen: form.all("usual").any(|chosen| chosen == *name),
        });
        Self {
            shell: Shell::of("New aircraft", Place::Aircraft),
            usual: usual.collect(),
            distances: DISTANCES_M
                .map(|distance_m| (distance_m.to_string(), edge_for(distance_m).to_string()))
                .into(),
            form,
            wrong,
        }
    }

    fn wrong(&self, field: &str) -> Option<&str> {
        let mut wrong = self.wrong.iter();
        let wrong = wrong.find(|wrong| wrong.field == field);
        wrong.map(|wrong| wrong.error.as_str())
    }

    fn is(&self, field: &str, value: &str) -> bool {
        self.form.get(field) == value
    }
}

pub async fn form() -> Result<Response, Refusal> {
    let usual = b"distance_m=1.5&stations=cards&joins=straight";
    page(&New::of(Form::read(usual)?, Vec::new()))
}

pub async fn create(State(bench): State<Shared>, form: Form) -> Result<Response, Refusal> {
    blocking(move || {
        let written = answers(&form).and_then(|answers| write(&bench, &answers));
        match written {
            Ok(id) => Ok(onward(&format!("/aircraft/{id}"))),
            Err(wrong) => html(&New::of(form, wrong), StatusCode::UNPROCESSABLE_ENTITY),
        }
    })
    .await
}

/// The answers of a form, or what is wrong with them.
fn answers(form: &Form) -> Result<Answers, Vec<Wrong>> {
    let mut wrong = Vec::new();
    let mut ask = |field: &'static str, error: &str| {
        wrong.push(Wrong {
            field,
            error: error.into(),
        });
    };
    let chosen = |name: &str| form.all("usual").any(|usual| usual == name);
    let usual = USUAL.iter().filter(|(name, _)| chosen(name));
    let usual = usual.flat_map(|(_, surfaces)| surfaces.iter().map(|name| name.to_string()));
    let others = form.get("others").lines().map(str::trim);
    let others = others.filter(|line| !line.is_empty()).map(str::to_owned);
    let surfaces: Vec<String> = usual.chain(others).collect();
    if form.get("name").is_empty() {
        ask("name", "Give the aircraft a name.");
    }
    if surfaces.is_empty() {
        ask(
            "surfaces",
            "Choose at least one surface, or name one of your own.",
        );
    }
    let edge_mm = match form.get("edge_mm") {
        "" => number(form.get("distance_m")).map(edge_for),
        edge_mm => number(edge_mm),
    };
    if edge_mm.is_none() {
        ask(
            "edge_mm",
            "Write the size of the black square in mm, such as 20.",
        );
    }
    match wrong.is_empty() {
        true => Ok(Answers {
            name: form.get("name").into(),
            surfaces,
            edge_mm: edge_mm.unwrap_or_default(),
            with_cards: form.get("stations") == "cards",
            radio: radio(form),
        }),
        false => Err(wrong),
    }
}

/// The radio's lines of the file that are answered; none where all is left empty.
fn radio(form: &Form) -> Vec<(&'static str, String)> {
    let asked = ["curve_points_pct", "step_pct", "limit_pct"];
    if asked.iter().all(|field| form.get(field).is_empty()) {
        return Vec::new();
    }
    let mut lines = Vec::new();
    let points = form.get("curve_points_pct");
    if !points.is_empty() {
        lines.push(("curve_points_pct", format!("[{points}]")));
        let shows = match form.get("curve_shows") {
            "output" => "\"output\"",
            _ => "\"added\"",
        };
        lines.push(("curve_shows", shows.into()));
    }
    for key in ["step_pct", "limit_pct"] {
        if let Some(value) = number(form.get(key)) {
            lines.push((key, format!("{value:?}")));
        }
    }
    let joins = match form.get("joins") {
        "smooth" => "\"smooth\"",
        _ => "\"straight\"",
    };
    lines.push(("joins", joins.into()));
    lines
}

/// Writes the model file, and hands its id on.
fn write(bench: &Bench, answers: &Answers) -> Result<String, Vec<Wrong>> {
    let text = fresh(answers).map_err(|error| {
        let field = match error {
            NewModelError::Edge { .. } => "edge_mm",
            _ => "surfaces",
        };
        let error = format!("{}: {}", sentence(&error.to_string()), error.mend());
        vec![Wrong { field, error }]
    })?;
    let name_fault = |error: String| {
        vec![Wrong {
            field: "name",
            error: sentence(&error),
        }]
    };
    let file = free_name(&file_stem(&answers.name), ".toml", |file| {
        bench.is_free(file)
    });
    let checked = crate::bench::model_text::check(&file, &text);
    checked.map_err(|faults| {
        let wrong = faults.into_iter().map(|fault| Wrong {
            field: if fault.field.starts_with("radio") {
                "radio"
            } else {
                "name"
            },
            error: sentences(&fault.error, &fault.help),
        });
        wrong.collect::<Vec<_>>()
    })?;
    OutputFile::create(&bench.workshop.path(&file), false)
        .and_then(|output| output.finish(&text))
        .map_err(|error| name_fault(error.to_string()))?;
    Ok(id(Kind::Aircraft, &file))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: at 1 m a usual phone shows 1.2 m in 1920 pixels, so 20 mm are 32 pixels wide.
    #[test]
    fn the_tag_is_as_large_as_the_distance_asks_for() {
        assert_eq!(edge_for(0.5), 10.0);
        assert_eq!(edge_for(1.0), 20.0);
        assert_eq!(edge_for(1.5), 30.0);
        assert_eq!(edge_for(4.0), 60.0);
    }
}
