//! The text of a model file, changed value by value so that its comments and its order stay.
//!
//! A field of the form has the name of its place in the file, such as `surface.0.chord_mm`. Nothing is
//! checked here: the model reader checks the text that results, and its faults are assigned to fields by
//! their place.

mod added;
mod faults;
mod fresh;

use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, TableLike, Value};

pub use added::add_surfaces;
pub use faults::{FieldFault, check};
pub use fresh::{Answers, fresh};

use super::form::{Form, number};

/// What a key holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Holds {
    Text,
    Number,
    Whole,
    Numbers,
    Yes,
}

/// Keys that the form can change.
const KEYS: [(&str, Holds); 26] = [
    ("name", Holds::Text),
    ("edge_mm", Holds::Number),
    ("id", Holds::Whole),
    ("side", Holds::Text),
    ("tag", Holds::Whole),
    ("chord_mm", Holds::Number),
    ("upright", Holds::Yes),
    ("reference", Holds::Text),
    ("motion", Holds::Text),
    ("compare", Holds::Text),
    ("down_to_up", Holds::Number),
    ("tolerance_deg", Holds::Number),
    ("target", Holds::Text),
    ("from", Holds::Text),
    ("order", Holds::Numbers),
    ("file", Holds::Text),
    ("curve_points_pct", Holds::Numbers),
    ("curve_shows", Holds::Text),
    ("curve_limit_pct", Holds::Number),
    ("end_points", Holds::Text),
    ("step_pct", Holds::Number),
    ("limit_pct", Holds::Number),
    ("joins", Holds::Text),
    ("sub_trim_pct", Holds::Number),
    ("end_points_pct", Holds::Numbers),
    ("curve_pct", Holds::Numbers),
];

/// The tables of which a file has one.
const TABLES: [&str; 4] = ["model", "tags", "stations", "radio"];

/// The tables of which a file has several.
const LISTS: [&str; 4] = ["airframe_tag", "surface", "match", "function"];

/// Changes the text by the fields of a form. A field that is left empty takes its key out.
///
/// # Errors
/// The text is no TOML; the message says why.
pub fn changed(text: &str, form: &Form) -> Result<String, String> {
    let mut document: DocumentMut = text.parse().map_err(no_toml)?;
    for (field, value) in form.fields() {
        set(&mut document, field, value);
    }
    remove(&mut document, form);
    Ok(document.to_string())
}

fn no_toml(error: toml_edit::TomlError) -> String {
    error.message().to_owned()
}

/// Sets one key, if the field names one and its value differs.
fn set(document: &mut DocumentMut, field: &str, text: &str) {
    let Some((place, key)) = field.rsplit_once('.') else {
        return;
    };
    let Some(&(_, holds)) = KEYS.iter().find(|(known, _)| *known == key) else {
        return;
    };
    let Some(table) = table_at(document, place, !text.is_empty()) else {
        return;
    };
    let before = table.get(key).map(shown);
    if before.as_deref().unwrap_or_default() == text {
        return;
    }
    if text.is_empty() {
        table.remove(key);
        return;
    }
    let mut value = value_of(holds, text);
    match table.get_mut(key) {
        Some(Item::Value(old)) => {
            // The decor holds the comment behind the value.
            *value.decor_mut() = old.decor().clone();
            *old = value;
        }
        _ => {
            table.insert(key, Item::Value(value));
        }
    }
}

/// The table of a place such as `surface.0`; a single one is made where it is missing and needed.
fn table_at<'d>(
    document: &'d mut DocumentMut,
    place: &str,
    is_needed: bool,
) -> Option<&'d mut dyn TableLike> {
    let parts: Vec<&str> = place.split('.').collect();
    match parts[..] {
        [place] if TABLES.contains(&place) => {
            if is_needed && document.get(place).is_none() {
                document.insert(place, Item::Table(Table::new()));
            }
            document.get_mut(place)?.as_table_like_mut()
        }
        [name, index] if LISTS.contains(&name) => {
            let table = list(document, name)?.get_mut(index.parse().ok()?)?;
            Some(table)
        }
        ["function", index, "stations"] => {
            let function = list(document, "function")?.get_mut(index.parse().ok()?)?;
            function.get_mut("stations")?.as_table_like_mut()
        }
        ["function", index, "match", inner] => {
            let function = list(document, "function")?.get_mut(index.parse().ok()?)?;
            let matches = function.get_mut("match")?.as_array_of_tables_mut()?;
            let table = matches.get_mut(inner.parse().ok()?)?;
            Some(table)
        }
        _ => None,
    }
}

/// A value as the form sends it. What is no number stays text, and the model reader says so.
fn value_of(holds: Holds, text: &str) -> Value {
    let plain = || Value::from(text);
    match holds {
        Holds::Text => plain(),
        Holds::Yes => Value::from(text == "true"),
        Holds::Whole => text.parse::<i64>().map_or_else(|_| plain(), Value::from),
        Holds::Number => number(text).map_or_else(plain, Value::from),
        Holds::Numbers => numbers(text).map_or_else(plain, Value::from),
    }
}

/// Numbers parted by blanks or commas.
fn numbers(text: &str) -> Option<Array> {
    let parts = text.split(|letter: char| letter.is_whitespace() || [',', ';'].contains(&letter));
    let parts = parts.filter(|part| !part.is_empty());
    parts
        .map(|part| {
            let number = number(part)?;
            let is_whole = number.fract() == 0.0 && number.abs() < 1e9;
            Some(match is_whole {
                true => Value::from(number as i64),
                false => Value::from(number),
            })
        })
        .collect()
}

/// A value as the form shows it.
pub fn shown(item: &Item) -> String {
    match item.as_value() {
        None => String::new(),
        Some(Value::String(text)) => text.value().clone(),
        Some(Value::Array(array)) => {
            let items: Vec<String> = array.iter().map(one).collect();
            items.join(", ")
        }
        Some(value) => one(value),
    }
}

fn one(value: &Value) -> String {
    match value {
        Value::String(text) => text.value().clone(),
        Value::Float(number) => number.value().to_string(),
        value => value.clone().decorated("", "").to_string(),
    }
}

/// Takes out the surfaces that are marked in the form, with the matches that need them.
fn remove(document: &mut DocumentMut, form: &Form) {
    let count = list_length(document, "surface");
    let is_marked = |place: &usize| form.has(&format!("surface.{place}.remove"));
    for place in (0..count).rev().filter(is_marked) {
        let Some(surfaces) = list(document, "surface") else {
            return;
        };
        let name = surfaces
            .get(place)
            .and_then(|table| table.get("name"))
            .map(shown);
        surfaces.remove(place);
        unmatch(document, &name.unwrap_or_default());
    }
}

/// Takes a surface out of all matches and functions.
fn unmatch(document: &mut DocumentMut, name: &str) {
    if let Some(matches) = list(document, "match") {
        unmatch_in(matches, name);
    }
    let Some(functions) = list(document, "function") else {
        return;
    };
    for function in functions.iter_mut() {
        if let Some(surfaces) = function.get_mut("surfaces").and_then(Item::as_array_mut) {
            surfaces.retain(|surface| surface.as_str() != Some(name));
        }
        let matches = function
            .get_mut("match")
            .and_then(Item::as_array_of_tables_mut);
        if let Some(matches) = matches {
            unmatch_in(matches, name);
        }
    }
    let is_empty = |function: &Table| {
        let surfaces = function.get("surfaces").and_then(Item::as_array);
        surfaces.is_some_and(Array::is_empty)
    };
    functions.retain(|function| !is_empty(function));
}

fn unmatch_in(matches: &mut ArrayOfTables, name: &str) {
    for table in matches.iter_mut() {
        if let Some(followers) = table.get_mut("followers").and_then(Item::as_array_mut) {
            followers.retain(|follower| follower.as_str() != Some(name));
        }
    }
    matches.retain(|table| {
        let followers = table.get("followers").and_then(Item::as_array);
        let is_reference = table.get("reference").map(shown).as_deref() == Some(name);
        !is_reference && followers.is_none_or(|followers| !followers.is_empty())
    });
}

fn list<'d>(document: &'d mut DocumentMut, name: &str) -> Option<&'d mut ArrayOfTables> {
    document.get_mut(name)?.as_array_of_tables_mut()
}

fn list_length(document: &DocumentMut, name: &str) -> usize {
    let tables = document.get(name).and_then(Item::as_array_of_tables);
    tables.map_or(0, |tables| tables.len())
}

/// The text with the numbers that were entered for some servos, as the next clip will be filmed with.
///
/// # Errors
/// The text is no TOML; the message says why.
pub fn with_entered(
    text: &str,
    entered: &[(String, crate::model_file::Settings)],
) -> Result<String, String> {
    let mut document: DocumentMut = text.parse().map_err(no_toml)?;
    let mut tail = take_tail(&mut document, text);
    for (surface, settings) in entered {
        let radio = document
            .as_table_mut()
            .entry("radio")
            .or_insert_with(|| new_table(&mut tail));
        let Some(radio) = radio.as_table_like_mut() else {
            continue;
        };
        let mut group = Table::new();
        group.set_implicit(true);
        let active = radio.entry("active").or_insert(Item::Table(group));
        let Some(active) = active.as_table_like_mut() else {
            continue;
        };
        let servo = active
            .entry(surface)
            .or_insert_with(|| new_table(&mut tail));
        if let Some(servo) = servo.as_table_like_mut() {
            put_settings(servo, settings);
        }
    }
    if !tail.is_empty() {
        document.set_trailing(tail);
    }
    Ok(document.to_string())
}

/// Takes the comments at the end of the text, where they belong to the radio: a table that is added goes
/// behind them, or they would seem to belong to it.
fn take_tail(document: &mut DocumentMut, text: &str) -> String {
    let mut heads = text.lines().filter(|line| line.starts_with('['));
    let is_of_radio = heads
        .next_back()
        .is_some_and(|head| head.starts_with("[radio"));
    if !is_of_radio && document.get("radio").is_some() {
        return String::new();
    }
    let tail = document.trailing().as_str().unwrap_or_default().to_owned();
    document.set_trailing("");
    tail
}

/// A table behind the comments that end the text.
fn new_table(tail: &mut String) -> Item {
    let mut table = Table::new();
    let before = std::mem::take(tail);
    table.decor_mut().set_prefix(format!("{before}\n"));
    Item::Table(table)
}

fn put_settings(servo: &mut dyn TableLike, settings: &crate::model_file::Settings) {
    let list = |numbers: &[f64]| numbers.iter().copied().collect::<Array>();
    let mut put = |key: &str, value: Value| {
        servo.insert(key, Item::Value(value));
    };
    put("sub_trim_pct", settings.sub_trim_pct.into());
    put("end_points_pct", list(&settings.end_points_pct).into());
    if !settings.curve_pct.is_empty() {
        put("curve_pct", list(&settings.curve_pct).into());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HAND_WRITTEN: &str = "# my own words\nformat = 1\n\n[model] # here\nname = \"Heron\"   # the big one\n\n\
        [tags]\nfamily = \"36h11\"\nedge_mm = 20.0 # measured\n\n[[surface]]\n# left comes first\nname = \"left aileron\"\n\
        side = \"left\"\ntag = 10\n\n[stations]\nfrom = \"cards\"\n";

    fn form(fields: &[(&str, &str)]) -> Form {
        let body = form_urlencoded::Serializer::new(String::new())
            .extend_pairs(fields)
            .finish();
        Form::read(body.as_bytes()).unwrap()
    }

    #[test]
    fn a_form_that_changes_nothing_leaves_every_byte() {
        let fields = [
            ("model.name", "Heron"),
            ("tags.edge_mm", "20"),
            ("surface.0.name", "left aileron"),
            ("surface.0.tag", "10"),
            ("surface.0.chord_mm", ""),
            ("stations.from", "cards"),
        ];
        assert_eq!(changed(HAND_WRITTEN, &form(&fields)).unwrap(), HAND_WRITTEN);
    }

    #[test]
    fn a_change_touches_its_value_alone() {
        let fields = [
            ("model.name", "Heron 2"),
            ("tags.edge_mm", "19,8"),
            ("surface.0.chord_mm", "62"),
        ];
        let text = changed(HAND_WRITTEN, &form(&fields)).unwrap();
        let expected = HAND_WRITTEN
            .replace("\"Heron\"   # the", "\"Heron 2\"   # the")
            .replace("20.0 #", "19.8 #")
            .replace("tag = 10\n", "tag = 10\nchord_mm = 62.0\n");
        assert_eq!(text, expected);
    }

    #[test]
    fn functions_are_changed_like_everything_else_and_lose_removed_surfaces() {
        let names = [
            "left aileron",
            "right aileron",
            "left flap",
            "right flap",
            "rudder",
        ];
        let names = names.map(String::from);
        let model = crate::model_file::NewModel::from_names("Jet", &names, 20.0).unwrap();
        let text = model.to_toml();
        let before = check("a.toml".as_ref(), &text).unwrap();
        assert!(before.functions.len() > 1);
        let fields = [
            ("function.0.name", "roll"),
            ("function.0.match.0.tolerance_deg", "0.5"),
            ("function.0.stations.order", "0, 100, 0, -100, 0"),
            ("surface.2.remove", "yes"),
            ("surface.3.remove", "yes"),
        ];
        let text = changed(&text, &form(&fields)).unwrap();
        let after = check("a.toml".as_ref(), &text).unwrap();
        assert_eq!(after.functions[0].name, "roll");
        assert_eq!(after.functions[0].matches[0].tolerance_deg, 0.5);
        assert_eq!(after.functions.len(), before.functions.len() - 1);
        assert_eq!(after.surfaces.len(), 3);
    }

    #[test]
    fn numbers_that_were_entered_follow_the_comments_of_the_radio() {
        let settings = crate::model_file::Settings {
            sub_trim_pct: 1.0,
            ..Default::default()
        };
        let entered = [("right aileron".to_owned(), settings)];
        let radio = "\n[radio]\nstep_pct = 1.0\n# limit_pct = 150.0 # mine\n";
        for text in [HAND_WRITTEN.to_owned(), HAND_WRITTEN.to_owned() + radio] {
            let with = with_entered(&text, &entered).unwrap();
            assert!(with.starts_with(&text), "{with}");
            let value: toml::Table = with.parse().unwrap();
            let servo = &value["radio"]["active"]["right aileron"];
            assert_eq!(servo["sub_trim_pct"].as_float(), Some(1.0));
            // A second round changes the numbers and nothing else.
            let again = [("right aileron".to_owned(), Default::default())];
            let again = with_entered(&with, &again).unwrap();
            assert_eq!(
                again,
                with.replace("sub_trim_pct = 1.0", "sub_trim_pct = 0.0")
            );
        }
    }

    #[test]
    fn fields_that_name_no_known_place_change_nothing() {
        let fields = [
            ("format", "2"),
            ("surface.7.name", "x"),
            ("surface.0.evil", "x"),
            ("__proto__.x", "y"),
            ("surface", "x"),
            ("match.0.name", "y"),
            ("a.b.c.name", "x"),
        ];
        assert_eq!(changed(HAND_WRITTEN, &form(&fields)).unwrap(), HAND_WRITTEN);
    }
}
