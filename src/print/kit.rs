//! Everything that one aircraft needs, named by surface.

use nalgebra::Point2;

use super::board;
use super::cards::{self, CardsPerSheet};
use super::choosing;
use super::document::Document;
use super::error::PrintError;
use super::flow::{Block, flow};
use super::frame::{Heading, Page};
use super::level;
use super::paper::{Orientation, PageSetup};
use super::sheet::{Item, Text};
use super::tag_order::TagOrder;
use super::tags;
use super::typeface::{Face, figure, shortened};
use crate::cautions::BEFORE_MOVING;
use crate::model_file::{ModelFile, StationSource};

/// A sheet for choosing tag size and distance, a list of places, how to film the level clip if sides are
/// matched, all tags on brackets, the station cards if the model file uses them, and a board for the camera.
pub fn kit(
    model: &ModelFile,
    lean_deg: f64,
    per_sheet: CardsPerSheet,
    setup: &PageSetup,
) -> Result<Document, PrintError> {
    let orders = orders(model);
    if orders.is_empty() {
        return Err(PrintError::NoTags);
    }
    let mut pages = vec![choosing::page(&orders, setup)];
    pages.extend(list_pages(model, &orders, setup));
    if !model.matches.is_empty() {
        pages.push(level::page(setup));
    }
    pages.extend(tags::bracket_pages(&orders, lean_deg, setup)?);
    if !model.cards().is_empty() {
        let stations = cards::station_cards(model, &[])?;
        pages.extend(cards::pages(&stations, per_sheet, setup)?);
    }
    pages.push(board::kit_page(setup)?);
    Ok(Document::bound(format!("Kit for {}", model.name), pages))
}

/// The surfaces' tags in the order of the file, then the airframe's.
fn orders(model: &ModelFile) -> Vec<TagOrder> {
    let surfaces = model.surfaces.iter().map(|surface| TagOrder {
        id: surface.tag_id,
        edge_mm: surface.edge_mm,
        name: Some(surface.name.clone()),
    });
    let airframe = model.airframe_tags.iter().map(|tag| TagOrder {
        id: tag.id,
        edge_mm: tag.edge_mm,
        name: Some(AIRFRAME.into()),
    });
    surfaces.chain(airframe).collect()
}

/// Name of an airframe tag on the sheets.
const AIRFRAME: &str = "airframe (fixed part)";

const ROW_PT: f64 = 10.0;
const ROW_HEIGHT_MM: f64 = 6.0;

/// Cautions to read before following the list.
fn caution() -> String {
    format!(
        "CAUTION: moving surfaces can hurt. {}",
        BEFORE_MOVING.join(" ")
    )
}

fn list_pages(model: &ModelFile, orders: &[TagOrder], setup: &PageSetup) -> Vec<Page> {
    let heading = Heading {
        title: format!("{}: list of parts", model.name),
        lines: list_lines(model),
        caution: Some(caution()),
        aside_mm: None,
    };
    let empty = Page::new(setup, Orientation::Portrait, &heading);
    let rows = orders
        .iter()
        .map(|order| row(order, empty.room.width_mm))
        .collect();
    flow(rows, &empty)
}

/// Instructions above the list.
fn list_lines(model: &ModelFile) -> Vec<String> {
    let mut lines = vec![
        "Tags: each surface gets the tag of its number on its trailing edge, print towards the \
         camera. An airframe tag goes onto a part that does not move, close to the surfaces. Numbers \
         and sizes are those of the model file: print again when it changes."
            .into(),
        "Camera: calibrate it once, with the board on the last sheet of this kit. Film from behind, on a \
         tripod if there is one. Without one let the airframe tag lean on its bracket: one that faces \
         the camera doubles the uncertainty."
            .into(),
    ];
    let usual = &model.stations.source;
    let functions = model.functions.iter();
    if functions.clone().all(|one| one.stations.source == *usual) {
        lines.push(format!("Stick: {}", stick_words(usual)));
    } else {
        lines.extend(functions.map(|one| {
            let words = stick_words(&one.stations.source);
            format!("Stick, clip of {}: {words}", one.name)
        }));
    }
    lines
}

/// How the stick is moved while the clip is taken.
fn stick_words(source: &StationSource) -> String {
    match source {
        StationSource::Order(order_pct) => format!(
            "rest for two seconds at each of these positions, in this order: {}.",
            in_words(order_pct)
        ),
        StationSource::Cards(_) => {
            "neutral first; then rest at each station for two seconds, from end to end and back, \
             while somebody shows its card."
                .into()
        }
        StationSource::Marks(_) | StationSource::Log(_) => {
            "neutral first; then from end to end and back.".into()
        }
    }
}

/// Stick positions in a row, in percent.
fn in_words(order_pct: &[f64]) -> String {
    let words = order_pct.iter().map(|&stick_pct| match stick_pct {
        stick_pct if stick_pct > 0.0 => format!("+{}", figure(stick_pct)),
        stick_pct if stick_pct < 0.0 => format!("−{}", figure(-stick_pct)),
        _ => "0".into(),
    });
    words.collect::<Vec<_>>().join(", ") + " %"
}

/// One line of the list: name, tag, edge.
fn row(order: &TagOrder, width_mm: f64) -> Block {
    const TAG_LEFT: f64 = 0.6;
    const EDGE_LEFT: f64 = 0.8;
    let cell = |content: &str, face, left_mm: f64, right_mm: f64| {
        let content = shortened(content, face, ROW_PT, right_mm - left_mm - 2.0);
        let start = Point2::new(left_mm, ROW_HEIGHT_MM - 1.8);
        Item::Text(Text::across(content, face, ROW_PT, start))
    };
    let name = order.name.as_deref().unwrap_or_default();
    let (tag_left_mm, edge_left_mm) = (TAG_LEFT * width_mm, EDGE_LEFT * width_mm);
    Block {
        width_mm,
        height_mm: ROW_HEIGHT_MM,
        items: vec![
            cell(name, Face::Bold, 0.0, tag_left_mm),
            cell(
                &format!("tag {}", order.id),
                Face::Regular,
                tag_left_mm,
                edge_left_mm,
            ),
            cell(
                &format!("{} mm edge", figure(order.edge_mm)),
                Face::Regular,
                edge_left_mm,
                width_mm,
            ),
        ],
    }
}
