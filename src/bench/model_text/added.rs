//! Surfaces added to a model file.

use std::collections::BTreeSet;

use toml_edit::{ArrayOfTables, DocumentMut, Item, Value};

use crate::commands::CommandError;
use crate::model_file::NewModel;

/// The first id that a surface may get: those below are for the airframe.
const FIRST_ID: i64 = 10;

/// The text with more surfaces, and the matches of those whose names form a pair.
///
/// # Errors
/// Names that no surface may have, or a text that is no TOML.
pub fn add_surfaces(text: &str, names: &[String], edge_mm: f64) -> Result<String, CommandError> {
    let new = NewModel::from_names("added", names, edge_mm)?.to_toml();
    let parsed = (text.parse::<DocumentMut>(), new.parse::<DocumentMut>());
    let (Ok(mut document), Ok(new)) = parsed else {
        // A text that is no TOML is refused by the model reader, which says where.
        return Ok(text.to_owned());
    };
    let mut ids = used_ids(&document);
    append(&mut document, &new, "surface", |table| {
        let free = (FIRST_ID..)
            .find(|id| !ids.contains(id))
            .unwrap_or(FIRST_ID);
        ids.insert(free);
        table.insert("tag", Item::Value(Value::from(free)));
    });
    append(&mut document, &new, "match", |_| {});
    Ok(document.to_string())
}

fn append(
    document: &mut DocumentMut,
    new: &DocumentMut,
    list: &str,
    mut change: impl FnMut(&mut toml_edit::Table),
) {
    let Some(new) = new.get(list).and_then(Item::as_array_of_tables) else {
        return;
    };
    let empty = || Item::ArrayOfTables(ArrayOfTables::new());
    let tables = document.as_table_mut().entry(list).or_insert_with(empty);
    let Some(tables) = tables.as_array_of_tables_mut() else {
        return;
    };
    for table in new.iter() {
        let mut table = table.clone();
        // Without a position of its own a table follows the last of its kind.
        table.set_position(None);
        change(&mut table);
        tables.push(table);
    }
}

fn used_ids(document: &DocumentMut) -> BTreeSet<i64> {
    let of = |list: &str, key: &str| -> Vec<i64> {
        let tables = document.get(list).and_then(Item::as_array_of_tables);
        let tables = tables.into_iter().flat_map(ArrayOfTables::iter);
        tables
            .filter_map(|table| table.get(key)?.as_integer())
            .collect()
    };
    of("surface", "tag")
        .into_iter()
        .chain(of("airframe_tag", "id"))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pair_is_added_with_free_tags_and_its_match() {
        let names = ["left aileron", "right aileron"].map(String::from);
        let text = NewModel::from_names("Heron", &names, 20.0)
            .unwrap()
            .to_toml();
        let more = ["left flap", "right flap"].map(String::from);
        let text = add_surfaces(&text, &more, 20.0).unwrap();
        let model = super::super::check("a.toml".as_ref(), &text).unwrap();
        let tags: Vec<u32> = model
            .surfaces
            .iter()
            .map(|surface| surface.tag_id)
            .collect();
        assert_eq!(tags, [10, 11, 12, 13]);
        assert_eq!(model.matches[1].followers, ["right flap"]);
        assert!(text.starts_with("# Model file of hingewise."));
    }
}
