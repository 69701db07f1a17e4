//! The text of a new model file: what `new` writes, with the answers of the form filled in.

use toml_edit::{DocumentMut, Item, Value};

use crate::model_file::{NewModel, NewModelError};

/// What a person answers about a new aircraft.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Answers {
    /// Name of the aircraft.
    pub name: String,
    /// Names of its surfaces.
    pub surfaces: Vec<String>,
    /// Outer edge of the tags' black squares, mm.
    pub edge_mm: f64,
    /// Whether somebody shows a card at each hold.
    pub with_cards: bool,
    /// Lines of the radio to use, as the file writes them: key and value.
    pub radio: Vec<(&'static str, String)>,
}

/// The text of the file.
///
/// # Errors
/// Names that are empty, repeated or too many.
pub fn fresh(answers: &Answers) -> Result<String, NewModelError> {
    let model = NewModel::from_names(&answers.name, &answers.surfaces, answers.edge_mm)?;
    let mut text = model.to_toml();
    if !answers.radio.is_empty() {
        text = with_radio(&text, &answers.radio);
    }
    if answers.with_cards {
        text = with_cards(&text);
    }
    Ok(text)
}

/// Takes the # away from the lines of the radio that are answered.
fn with_radio(text: &str, radio: &[(&str, String)]) -> String {
    let lines = text.lines().map(|line| {
        if line == "# [radio]" {
            return "[radio]".to_owned();
        }
        let answered = radio.iter().find(|(key, _)| {
            let commented = line.strip_prefix("# ");
            commented.is_some_and(|line| line.starts_with(&format!("{key} = ")))
        });
        match answered {
            None => line.to_owned(),
            Some((key, value)) => {
                let comment = line.get(2..).and_then(|line| line.split_once("# "));
                let comment = comment.map_or("", |(_, comment)| comment);
                let setting = format!("{key} = {value}");
                match comment.is_empty() {
                    true => setting,
                    false => format!("{setting:<31} # {comment}"),
                }
            }
        }
    });
    lines.map(|line| line + "\n").collect()
}

/// Says that cards show the stations; the order of holds is no longer needed.
fn with_cards(text: &str) -> String {
    let Ok(mut document) = text.parse::<DocumentMut>() else {
        return text.to_owned();
    };
    shown_by_cards(document.get_mut("stations"));
    let functions = document.get_mut("function");
    if let Some(functions) = functions.and_then(Item::as_array_of_tables_mut) {
        for function in functions.iter_mut() {
            shown_by_cards(function.get_mut("stations"));
        }
    }
    document.to_string()
}

fn shown_by_cards(stations: Option<&mut Item>) {
    let Some(stations) = stations.and_then(Item::as_table_like_mut) else {
        return;
    };
    if let Some(Item::Value(from)) = stations.get_mut("from") {
        let decor = from.decor().clone();
        *from = Value::from("cards");
        *from.decor_mut() = decor;
    }
    stations.remove("order");
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answers() -> Answers {
        Answers {
            name: "Heron 2.1 m".into(),
            surfaces: vec!["left aileron".into(), "right aileron".into()],
            edge_mm: 20.0,
            ..Answers::default()
        }
    }

    #[test]
    fn a_new_file_is_the_one_that_new_writes() {
        let answers = answers();
        let written = NewModel::from_names(&answers.name, &answers.surfaces, 20.0).unwrap();
        assert_eq!(fresh(&answers).unwrap(), written.to_toml());
    }

    #[test]
    fn answers_are_filled_in_and_the_file_can_be_used() {
        let with_more = Answers {
            with_cards: true,
            radio: vec![
                ("curve_points_pct", "[-100, 0, 100]".into()),
                ("step_pct", "0.5".into()),
            ],
            ..answers()
        };
        let text = fresh(&with_more).unwrap();
        let model = super::super::check("a.toml".as_ref(), &text).unwrap();
        let radio = model.radio.unwrap();
        assert_eq!(radio.curve_points_pct.unwrap(), [-100.0, 0.0, 100.0]);
        assert_eq!(radio.step_pct, 0.5);
        assert!(matches!(
            model.stations.source,
            crate::model_file::StationSource::Cards(_)
        ));
        assert!(
            text.contains("# limit_pct = 150.0             # largest |output| to the servo"),
            "{text}"
        );
    }
}
