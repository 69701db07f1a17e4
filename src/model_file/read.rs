//! Reads a model file, table by table.

use std::path::Path;

use toml::Spanned;

use super::book::{CommonEdge, Names, TagBook};
use super::fields::{EDGE_LIMITS, LENGTH_LIMITS, Reader, all};
use super::read_functions::declared;
use super::read_radio::radio;
use super::{AirframeTag, ModelFault, ModelFile, Side, Surface, TAG_FAMILY};
use crate::measured::Measured;
use crate::table_reader::Limits;

/// The one format of model files so far.
const FORMAT: u32 = 1;

/// Standard deviations of a ruler that can be meant; 0 would leave the film no say.
const RULER_SD_LIMITS: Limits = Limits::new(0.01, 1000.0, "mm");

/// Walks the whole file.
pub(super) fn model_file(path: &Path, mut file: Reader<'_>) -> Option<ModelFile> {
    if file.is_other_kind("surface", "matrix", "a camera profile") {
        return None;
    }
    check_format(&mut file);
    let name = file.required_table("model").and_then(model_name);
    let mut book = TagBook::new(common_edge(&mut file));
    let airframe_tags = airframe_tags(&mut file, &mut book);
    let (surfaces, names) = surfaces(&mut file, &mut book);
    let known = surfaces.as_deref().unwrap_or_default();
    let declared = declared(&mut file, &names, known, &mut book);
    let radio = match file.optional_table("radio") {
        Some(table) => radio(table, &names).map(Some),
        None => Some(None),
    };
    file.finish();
    let declared = declared?;
    Some(ModelFile {
        path: path.to_owned(),
        name: name?,
        airframe_tags: airframe_tags?,
        surfaces: surfaces?,
        matches: declared.matches,
        stations: declared.stations,
        functions: declared.functions,
        radio: radio?,
    })
}

fn check_format(file: &mut Reader<'_>) {
    if let Some(format) = file.required::<u32>("format")
        && *format.get_ref() != FORMAT
    {
        let found = *format.get_ref();
        file.fault(&format, ModelFault::UnknownFormat { found });
    }
}

fn model_name(mut table: Reader<'_>) -> Option<String> {
    let name = name_of(&mut table);
    table.finish();
    name.map(Spanned::into_inner)
}

/// A name with something in it, which has to be there.
pub(super) fn name_of(table: &mut Reader<'_>) -> Option<Spanned<String>> {
    let name = table.required_name("name")?;
    if name.get_ref().trim().is_empty() {
        table.fault(&name, ModelFault::Empty { key: "name" });
        return None;
    }
    Some(name)
}

fn common_edge(file: &mut Reader<'_>) -> CommonEdge {
    let Some(mut table) = file.optional_table("tags") else {
        return CommonEdge::Missing;
    };
    if let Some(family) = table.optional::<String>("family")
        && family.get_ref() != TAG_FAMILY
    {
        let found = family.get_ref().clone();
        table.fault(&family, ModelFault::UnknownFamily { found });
    }
    let edge = match table.optional_number("edge_mm", EDGE_LIMITS) {
        Some(edge) => CommonEdge::Given(edge.into_inner()),
        None if table.has("edge_mm") || table.is_misspelt("edge_mm") => CommonEdge::Faulty,
        None => CommonEdge::Missing,
    };
    table.finish();
    edge
}

fn airframe_tags(file: &mut Reader<'_>, book: &mut TagBook) -> Option<Vec<AirframeTag>> {
    let read_one = |mut table: Reader<'_>| {
        let id = book.tag_id(&mut table, "id", || "an airframe tag".into());
        let edge_mm = book.edge_mm(&mut table);
        table.finish();
        Some(AirframeTag {
            id: id?,
            edge_mm: edge_mm?,
        })
    };
    all(file.tables("airframe_tag").into_iter().map(read_one))
}

/// The surfaces, and their names even where a surface is at fault otherwise.
fn surfaces(file: &mut Reader<'_>, book: &mut TagBook) -> (Option<Vec<Surface>>, Names) {
    let tables = file.tables("surface");
    if tables.is_empty() && !file.has("surface") {
        file.demand("surface", "one table [[surface]] for each measured surface");
    }
    let mut names = Names::default();
    let surfaces = all(tables
        .into_iter()
        .map(|table| surface(table, book, &mut names)));
    (surfaces, names)
}

fn surface(mut table: Reader<'_>, book: &mut TagBook, names: &mut Names) -> Option<Surface> {
    let name = name_of(&mut table);
    names.add(&table, name.as_ref());
    let sides = [
        ("left", Side::Left),
        ("right", Side::Right),
        ("centre", Side::Centre),
    ];
    let side = table.required_choice("side", &sides);
    let tag_id = book.tag_id(&mut table, "tag", || match &name {
        Some(name) => format!("the surface {:?}", name.get_ref()),
        None => "a surface".into(),
    });
    let edge_mm = book.edge_mm(&mut table);
    let chord_mm = table.optional_number("chord_mm", LENGTH_LIMITS);
    let hinge_to_tag_mm = table
        .optional_table("hinge_to_tag_mm")
        .and_then(ruler_measure);
    let upright = table.optional::<bool>("upright");
    table.finish();
    Some(Surface {
        name: name?.into_inner(),
        side: side?,
        tag_id: tag_id?,
        edge_mm: edge_mm?,
        chord_mm: chord_mm.map(Spanned::into_inner),
        hinge_to_tag_mm,
        upright: upright.is_some_and(Spanned::into_inner),
    })
}

fn ruler_measure(mut table: Reader<'_>) -> Option<Measured> {
    let value = table.required_number("value", LENGTH_LIMITS);
    let sd = table.required_number("sd", RULER_SD_LIMITS);
    table.finish();
    Some(Measured::new(value?.into_inner(), sd?.into_inner()))
}
