//! Changing an aircraft: a form for what is common, and the text of the file for everything else.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use toml_edit::{DocumentMut, Item};

use super::{At, Shell, html_with_text, onward};
use crate::bench::blocking::blocking;
use crate::bench::course::Course;
use crate::bench::form::{Form, number};
use crate::bench::model_text::{FieldFault, add_surfaces, changed, check, shown};
use crate::bench::workshop::Aircraft;
use crate::bench::{Bench, Refusal, Shared};
use crate::commands::output::OutputFile;
use crate::figures::sentences;

/// One field of the form.
struct Field {
    name: String,
    label: &'static str,
    hint: &'static str,
    value: String,
    /// Choices and what they mean; none for free text.
    choices: &'static [(&'static str, &'static str)],
    faults: Vec<String>,
}

impl Field {
    /// Whether the file holds a value that is none of the choices, which has to stay.
    fn is_other(&self) -> bool {
        let mut choices = self.choices.iter();
        !choices.any(|(value, _)| *value == self.value)
    }

    /// Ids of what is said about the field.
    fn described_by(&self) -> String {
        let name = &self.name;
        let wrong = (1..=self.faults.len()).map(|number| format!("{name}-wrong-{number}"));
        let hint = (!self.hint.is_empty()).then(|| format!("{name}-hint"));
        wrong.chain(hint).collect::<Vec<_>>().join(" ")
    }
}

/// Fields that belong together.
struct Group {
    title: String,
    place: String,
    fields: Vec<Field>,
    faults: Vec<String>,
    can_be_removed: bool,
}

#[derive(Template)]
#[template(path = "edit.html", config = "src/bench/askama.toml")]
struct Edit {
    shell: Shell,
    id: String,
    file: String,
    groups: Vec<Group>,
    faults: Vec<FieldFault>,
    add: String,
    /// Whether surfaces can be added here: with functions a person says which they belong to.
    can_add: bool,
    is_readable: bool,
}

#[derive(Template)]
#[template(path = "text.html", config = "src/bench/askama.toml")]
struct Text {
    shell: Shell,
    id: String,
    file: String,
    text: String,
    faults: Vec<FieldFault>,
}

type Choices = &'static [(&'static str, &'static str)];
/// Key, label, hint and choices of a field.
type Known = (&'static str, &'static str, &'static str, Choices);

const SIDES: Choices = &[("left", "left"), ("right", "right"), ("centre", "centre")];
const UPRIGHT: Choices = &[("", "no"), ("true", "yes, as a rudder does")];
const MOTIONS: Choices = &[
    ("same", "both go up together"),
    ("opposite", "one up, the other down"),
];
const TARGETS: Choices = &[
    ("", "that surface"),
    ("smaller", "the smaller of both"),
    ("straight", "a straight line"),
    ("throws", "throws in the file"),
];
const SOURCES: Choices = &[
    ("cards", "printed cards"),
    ("order", "a fixed order of holds"),
    ("marks", "a file of holds"),
    ("log", "a stick log"),
];
const SHOWS: Choices = &[
    ("", "not stated"),
    ("added", "0 at every point"),
    ("output", "the positions themselves"),
];
const JOINS: Choices = &[
    ("", "not stated"),
    ("straight", "straight lines"),
    ("smooth", "a smooth curve"),
];
const NONE: Choices = &[];

const TAGS: [Known; 1] = [(
    "edge_mm",
    "Size of the black squares, mm",
    "outer edge as printed; measure it",
    NONE,
)];
const AIRFRAME: [Known; 2] = [
    ("id", "Number of the tag", "", NONE),
    (
        "edge_mm",
        "Size of this tag, mm",
        "empty: as all others",
        NONE,
    ),
];
const SURFACE: [Known; 6] = [
    ("name", "Name", "", NONE),
    ("side", "Side, seen from behind", "", SIDES),
    ("tag", "Number of its tag", "", NONE),
    (
        "edge_mm",
        "Size of this tag, mm",
        "empty: as all others",
        NONE,
    ),
    (
        "chord_mm",
        "Hinge line to trailing edge, mm",
        "gives throws in mm",
        NONE,
    ),
    ("upright", "Stands upright", "", UPRIGHT),
];
const MATCH: [Known; 4] = [
    ("reference", "This surface is left alone", "", NONE),
    ("motion", "In this clip", "", MOTIONS),
    (
        "tolerance_deg",
        "Largest mismatch that you accept, °",
        "",
        NONE,
    ),
    ("target", "Adjust to", "", TARGETS),
];
const FUNCTION: [Known; 1] = [("name", "Name of the function", "", NONE)];
const STATIONS: [Known; 2] = [
    ("from", "The stick position is shown by", "", SOURCES),
    (
        "order",
        "Order of the holds, %",
        "only for a fixed order",
        NONE,
    ),
];
const RADIO: [Known; 5] = [
    (
        "curve_points_pct",
        "Positions of the curve points, %",
        "empty: no curve",
        NONE,
    ),
    ("curve_shows", "An untouched curve shows", "", SHOWS),
    ("step_pct", "Smallest step, %", "", NONE),
    ("limit_pct", "Largest output, %", "", NONE),
    ("joins", "Points are joined by", "", JOINS),
];

fn groups(document: &DocumentMut, faults: &[FieldFault]) -> Vec<Group> {
    let single = |name: &str, title: &str, known: &[Known]| {
        let table = document.get(name).filter(|item| item.is_table_like());
        group(table, name.to_owned(), title.to_owned(), known, faults)
    };
    let several = |name: &str, title: &str, known: &[Known]| -> Vec<Group> {
        let tables = document.get(name).and_then(Item::as_array_of_tables);
        let tables = tables.into_iter().flatten().enumerate();
        let group_of = |(index, table): (usize, &toml_edit::Table)| {
            let named = table.get("name").map(shown);
            let title = named.unwrap_or_else(|| format!("{title} {}", index + 1));
            let item = Item::Table(table.clone());
            let place = format!("{name}.{index}");
            group(Some(&item), place, title, known, faults)
        };
        tables.map(group_of).collect()
    };
    let name: [Known; 1] = [("name", "Name of the aircraft", "", NONE)];
    let mut groups = vec![
        single("model", "Aircraft", &name),
        single("tags", "Tags", &TAGS),
    ];
    groups.extend(several("airframe_tag", "Airframe tag", &AIRFRAME));
    let mut surfaces = several("surface", "Surface", &SURFACE);
    let can_be_removed = surfaces.len() > 1;
    surfaces
        .iter_mut()
        .for_each(|group| group.can_be_removed = can_be_removed);
    groups.extend(surfaces);
    groups.extend(pair_groups(document.get("match"), "match", faults));
    groups.extend(function_groups(document, faults));
    if document.get("stations").is_some() {
        groups.push(single("stations", "Stick positions", &STATIONS));
    }
    groups.push(single("radio", "Radio", &RADIO));
    groups
}

/// The groups of matches, wherever they are in the file.
fn pair_groups(matches: Option<&Item>, place: &str, faults: &[FieldFault]) -> Vec<Group> {
    let tables = matches
        .and_then(Item::as_array_of_tables)
        .into_iter()
        .flatten();
    let group_of = |(index, table): (usize, &toml_edit::Table)| {
        let followers = table.get("followers").map(shown).unwrap_or_default();
        let title = format!("Match: numbers for {followers}");
        let item = Item::Table(table.clone());
        group(
            Some(&item),
            format!("{place}.{index}"),
            title,
            &MATCH,
            faults,
        )
    };
    tables.enumerate().map(group_of).collect()
}

/// The groups of functions: surfaces that one stick moves, with matches and stations of their own.
fn function_groups(document: &DocumentMut, faults: &[FieldFault]) -> Vec<Group> {
    let functions = document.get("function").and_then(Item::as_array_of_tables);
    let mut groups = Vec::new();
    for (index, function) in functions.into_iter().flatten().enumerate() {
        let place = format!("function.{index}");
        let name = function.get("name").map(shown).unwrap_or_default();
        let item = Item::Table(function.clone());
        let title = format!("Function: {name}");
        groups.push(group(Some(&item), place.clone(), title, &FUNCTION, faults));
        groups.extend(pair_groups(
            function.get("match"),
            &format!("{place}.match"),
            faults,
        ));
        let title = format!("Stick positions: {name}");
        let stations = function.get("stations");
        groups.push(group(
            stations,
            format!("{place}.stations"),
            title,
            &STATIONS,
            faults,
        ));
    }
    groups
}

fn group(
    table: Option<&Item>,
    place: String,
    title: String,
    known: &[Known],
    faults: &[FieldFault],
) -> Group {
    let of = |field: &str| {
        let mine = faults.iter().filter(|fault| fault.field == field);
        mine.map(words).collect::<Vec<_>>()
    };
    let fields = known.iter().map(|(key, label, hint, choices)| {
        let name = format!("{place}.{key}");
        let item = table.and_then(|table| table.get(*key));
        Field {
            value: item.map(shown).unwrap_or_default(),
            faults: of(&name),
            name,
            label,
            hint,
            choices,
        }
    });
    Group {
        fields: fields.collect(),
        faults: of(&place),
        can_be_removed: false,
        title,
        place,
    }
}

fn words(fault: &FieldFault) -> String {
    sentences(&fault.error, &fault.help)
}

impl Edit {
    fn of(bench: &Bench, aircraft: Aircraft, text: &str, faults: Vec<FieldFault>) -> Self {
        let document = text.parse::<DocumentMut>();
        Self {
            id: aircraft.id.clone(),
            file: aircraft.file.display().to_string(),
            can_add: (document.as_ref()).is_ok_and(|document| document.get("function").is_none()),
            is_readable: document.is_ok(),
            groups: document.map_or_else(|_| Vec::new(), |document| groups(&document, &faults)),
            shell: Shell::step(
                format!("Describe {}", aircraft.name()),
                &Course::of(bench, aircraft),
                At::Describe,
            ),
            add: String::new(),
            faults,
        }
    }

    /// Faults that no field shows.
    fn elsewhere(&self) -> Vec<&FieldFault> {
        let shows = |fault: &&FieldFault| {
            let mut groups = self.groups.iter();
            groups.any(|group| {
                group.place == fault.field
                    || group.fields.iter().any(|field| field.name == fault.field)
            })
        };
        self.faults.iter().filter(|fault| !shows(fault)).collect()
    }
}

/// The text of an aircraft's file.
fn read(bench: &Bench, aircraft: &Aircraft) -> Result<String, Refusal> {
    let read = bench.workshop.read_text(&aircraft.file);
    read.ok_or_else(|| Refusal::not_found("aircraft"))
}

fn faults_of(aircraft: &Aircraft, text: &str) -> Vec<FieldFault> {
    check(&aircraft.file, text).err().unwrap_or_default()
}

pub async fn form(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let aircraft = bench.workshop.aircraft_of(&id)?;
        let text = read(&bench, &aircraft)?;
        let faults = faults_of(&aircraft, &text);
        html_with_text(&Edit::of(&bench, aircraft, &text, faults), StatusCode::OK)
    })
    .await
}

pub async fn save(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let aircraft = bench.workshop.aircraft_of(&id)?;
        let before = read(&bench, &aircraft)?;
        let mut text = changed(&before, &form)
            .map_err(|error| Refusal::bad_request(error, "correct the text of the file first"))?;
        let added = form.get("add").lines().map(str::trim);
        let added: Vec<String> = added
            .filter(|name| !name.is_empty())
            .map(str::to_owned)
            .collect();
        if !added.is_empty() {
            let edge_mm = number(form.get("tags.edge_mm")).unwrap_or(20.0);
            text = add_surfaces(&text, &added, edge_mm)?;
        }
        let faults = faults_of(&aircraft, &text);
        if !faults.is_empty() {
            let edit = Edit {
                add: added.join("\n"),
                ..Edit::of(&bench, aircraft, &text, faults)
            };
            return html_with_text(&edit, StatusCode::UNPROCESSABLE_ENTITY);
        }
        write(&bench, &aircraft, &before, &text)?;
        Ok(onward(&format!("/aircraft/{id}")))
    })
    .await
}

/// Writes the file if it changed.
pub fn write(bench: &Bench, aircraft: &Aircraft, before: &str, text: &str) -> Result<(), Refusal> {
    if before != text {
        OutputFile::create(&bench.workshop.path(&aircraft.file), true)?.finish(text)?;
    }
    Ok(())
}

impl Text {
    fn of(bench: &Bench, aircraft: Aircraft, text: String, faults: Vec<FieldFault>) -> Self {
        Self {
            id: aircraft.id.clone(),
            file: aircraft.file.display().to_string(),
            shell: Shell::step(
                format!("File of {}", aircraft.name()),
                &Course::of(bench, aircraft),
                At::Describe,
            ),
            text,
            faults,
        }
    }
}

pub async fn text(
    State(bench): State<Shared>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    blocking(move || {
        let aircraft = bench.workshop.aircraft_of(&id)?;
        let text = read(&bench, &aircraft)?;
        let faults = faults_of(&aircraft, &text);
        html_with_text(&Text::of(&bench, aircraft, text, faults), StatusCode::OK)
    })
    .await
}

pub async fn save_text(
    State(bench): State<Shared>,
    Path(id): Path<String>,
    form: Form,
) -> Result<Response, Refusal> {
    blocking(move || {
        let aircraft = bench.workshop.aircraft_of(&id)?;
        let before = read(&bench, &aircraft)?;
        // Browsers send lines that end as in mail.
        let text = form.get("text").replace("\r\n", "\n") + "\n";
        let faults = faults_of(&aircraft, &text);
        if !faults.is_empty() {
            let template = Text::of(&bench, aircraft, text, faults);
            return html_with_text(&template, StatusCode::UNPROCESSABLE_ENTITY);
        }
        write(&bench, &aircraft, &before, &text)?;
        Ok(onward(&format!("/aircraft/{id}")))
    })
    .await
}
