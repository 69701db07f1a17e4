//! The first page: every aircraft of the folder, and what comes next for it.

use askama::Template;
use axum::extract::State;
use axum::response::Response;

use super::{Place, Shell, page};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::guard::IsHere;
use crate::bench::{Refusal, Shared};

#[derive(Template)]
#[template(path = "home.html", config = "src/bench/askama.toml")]
struct Home {
    shell: Shell,
    aircraft: Vec<Row>,
    is_here: bool,
}

struct Row {
    id: String,
    name: String,
    about: String,
    last: String,
    next: &'static str,
    next_href: String,
}

pub async fn home(
    State(bench): State<Shared>,
    IsHere(is_here): IsHere,
) -> Result<Response, Refusal> {
    blocking(move || {
        page(&Home {
            shell: Shell::of("Aircraft", Place::Aircraft),
            aircraft: Course::all(&bench).iter().map(row).collect(),
            is_here,
        })
    })
    .await
}

fn row(course: &Course) -> Row {
    let next = course.next();
    Row {
        id: course.aircraft.id.clone(),
        name: course.aircraft.name(),
        about: about(course),
        last: course.last(),
        next: next.words,
        next_href: next.href,
    }
}

/// What an aircraft is, in one line.
pub fn about(course: &Course) -> String {
    let file = course.aircraft.file.display();
    match &course.aircraft.model {
        Err(_) => format!("{file} has faults."),
        Ok(model) => {
            let names = model.surfaces.iter().map(|surface| surface.name.as_str());
            format!("{} ({file})", names.collect::<Vec<_>>().join(", "))
        }
    }
}
