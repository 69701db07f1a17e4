//! Faults of a model file, assigned to the fields of the form by their place in the text.

use std::path::Path;

use toml_edit::{Document, Item, Table};

use crate::model_file::ModelFile;
use crate::table_reader::Fault;

/// A fault beside its field.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldFault {
    /// The field, such as `surface.0.tag`; a table's own name where no key is concerned.
    pub field: String,
    /// The line of the file, from 1.
    pub line: usize,
    /// What is wrong.
    pub error: String,
    /// What to do.
    pub help: String,
}

/// What the model reader says of a text: the model, or all faults.
pub fn check(path: &Path, text: &str) -> Result<ModelFile, Vec<FieldFault>> {
    let faulty = match ModelFile::parse(path, text.to_owned()) {
        Ok(model) => return Ok(model),
        Err(faulty) => faulty,
    };
    let places = places(text);
    let faults = faulty.faults().iter().map(|located| {
        let at = located.span.start;
        let holding = places.iter().filter(|(span, _)| span.contains(&at));
        let nearest = holding.min_by_key(|(span, _)| span.len());
        FieldFault {
            field: nearest.map(|(_, field)| field.clone()).unwrap_or_default(),
            line: 1 + text.bytes().take(at).filter(|byte| *byte == b'\n').count(),
            error: located.fault.to_string(),
            help: located.fault.mend(),
        }
    });
    Err(faults.collect())
}

/// The places of a text: which bytes belong to which field.
fn places(text: &str) -> Vec<(std::ops::Range<usize>, String)> {
    let mut places = Vec::new();
    if let Ok(document) = Document::parse(text) {
        table(document.as_table(), "", &mut places);
    }
    places
}

fn table(table: &Table, place: &str, places: &mut Vec<(std::ops::Range<usize>, String)>) {
    let below = |key: &str| match place {
        "" => key.to_owned(),
        place => format!("{place}.{key}"),
    };
    for (key, item) in table.iter() {
        let field = below(key);
        match item {
            Item::Table(inner) => {
                note(places, inner.span(), &field);
                self::table(inner, &field, places);
            }
            Item::ArrayOfTables(list) => {
                for (index, inner) in list.iter().enumerate() {
                    let field = format!("{field}.{index}");
                    note(places, inner.span(), &field);
                    self::table(inner, &field, places);
                }
            }
            Item::Value(value) => {
                let key_span = table.key(key).and_then(toml_edit::Key::span);
                note(places, key_span, &field);
                note(places, value.span(), &field);
            }
            Item::None => {}
        }
    }
}

fn note(
    places: &mut Vec<(std::ops::Range<usize>, String)>,
    span: Option<std::ops::Range<usize>>,
    field: &str,
) {
    places.extend(span.map(|span| (span, field.to_owned())));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_fault_is_beside_its_field_in_the_words_of_the_model_reader() {
        let text = "format = 1\n[model]\nname = \"\"\n[tags]\nfamily = \"36h11\"\nedge_mm = \"wide\"\n\
            [[surface]]\nname = \"left\"\nside = \"lift\"\ntag = 10\n[[surface]]\nname = \"right\"\nside = \"right\"\n\
            [stations]\nfrom = \"cards\"\n";
        let faults = check("a.toml".as_ref(), text).unwrap_err();
        let fields: Vec<&str> = faults.iter().map(|fault| fault.field.as_str()).collect();
        assert_eq!(
            fields,
            ["model.name", "tags.edge_mm", "surface.0.side", "surface.1"]
        );
        assert_eq!(faults[2].line, 9);
        assert!(faults[3].error.contains("`tag` is missing"), "{faults:?}");
    }
}
