//! The first sheet of a kit: which size of tag suits which distance, and where to put everything.

use nalgebra::{Point2, Vector2};

use super::frame::{Heading, Page};
use super::paper::{Orientation, PageSetup};
use super::scene;
use super::sheet::{Area, Item, LineKind, Text};
use super::tag_order::TagOrder;
use super::typeface::{Face, figure, text_width_mm};
use crate::camera::USUAL_FIELD_DEG;
use crate::tags::SMALLEST_EDGE_PX;

/// Width of the pictures that the figures hold for: ordinary video.
const PICTURE_PX: f64 = 1920.0;

/// From this width on figures get good (the project's own clips with known truth).
pub const GOOD_EDGE_PX: f64 = 30.0;

const DISTANCES_M: [f64; 7] = [0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0];
/// Sizes from that of small surfaces to the largest that is useful on a large aircraft.
pub const EDGES_MM: [f64; 6] = [10.0, 15.0, 20.0, 30.0, 40.0, 60.0];

const ROW_PT: f64 = 10.0;
const ROW_MM: f64 = 6.2;
const BASE_MM: f64 = 4.4;
/// Right edges of the columns: the distance, and the width of the scene.
const COLUMN_ENDS_MM: [f64; 2] = [22.0, 52.0];
const NOTE_PT: f64 = 9.0;
const NOTE_MM: f64 = 7.0;

/// How wide a tag is in the picture of a usual phone, px.
pub fn usual_width_px(edge_mm: f64, distance_m: f64) -> f64 {
    edge_mm / (1000.0 * shown_width_m(distance_m)) * PICTURE_PX
}

/// Width of the scene in a usual phone's picture, at a distance.
fn shown_width_m(distance_m: f64) -> f64 {
    2.0 * distance_m * (USUAL_FIELD_DEG / 2.0).to_radians().tan()
}

/// The sheet.
pub(super) fn page(orders: &[TagOrder], setup: &PageSetup) -> Page {
    let heading = Heading {
        title: "First: how far away, and how large the tags".into(),
        lines: lines(orders),
        caution: None,
        aside_mm: None,
    };
    let mut page = Page::new(setup, Orientation::Portrait, &heading);
    let room = page.room;
    let (table, height_mm) = table(room.width_mm);
    page.place(table, Point2::new(room.left_mm, room.top_mm));
    let below = Area::new(
        room.left_mm,
        room.top_mm + height_mm,
        room.width_mm,
        room.height_mm - height_mm,
    );
    page.place(
        scene::drawings(below.width_mm),
        Point2::new(below.left_mm, below.top_mm),
    );
    page
}

fn lines(orders: &[TagOrder]) -> Vec<String> {
    let mut edges_mm: Vec<f64> = orders.iter().map(|order| order.edge_mm).collect();
    edges_mm.sort_by(f64::total_cmp);
    edges_mm.dedup();
    let edges: Vec<String> = edges_mm.iter().map(|&edge_mm| figure(edge_mm)).collect();
    vec![
        "1. The picture has to show all tags, with a hand's breadth to spare on each side. Look up the \
         distance at which it is wide enough."
            .into(),
        "2. In the row of that distance choose a tag size whose figure is bold, as large as the \
         trailing edge carries. The figures are the width of the tag in the picture, in pixels."
            .into(),
        format!(
            "The table is computed for a usual phone: {PICTURE_PX:.0} pixels across, and {USUAL_FIELD_DEG:.0}° \
             from the left of the picture to its right. Video of 3840 pixels (4K) doubles all figures; a \
             phone held upright sees 9/16 of the width."
        ),
        format!(
            "3. This kit holds tags of {} mm. If another size suits better, write it as edge_mm into the \
             model file and print the kit again.",
            edges.join(", ")
        ),
    ]
}

/// The table from its own upper left corner, and its height.
fn table(width_mm: f64) -> (Vec<Item>, f64) {
    let mut items = Vec::new();
    let ends: Vec<f64> = column_ends_mm(width_mm);
    let heads = ["distance", "picture shows"].map(String::from);
    let sizes = EDGES_MM.map(|edge_mm| format!("{edge_mm:.0} mm tag"));
    items.extend(row(0, &ends, heads.into_iter().chain(sizes), |_| {
        Face::Regular
    }));
    let rule = Point2::new(0.0, ROW_MM);
    let across = Vector2::new(width_mm, 0.0);
    items.push(Item::line(LineKind::Drawing, rule, rule + across));
    for (index, &distance_m) in DISTANCES_M.iter().enumerate() {
        let widths_px = EDGES_MM.map(|edge_mm| usual_width_px(edge_mm, distance_m));
        let places = [
            format!("{distance_m} m"),
            format!("{:.1} m", shown_width_m(distance_m)),
        ];
        let cells = places.into_iter().chain(widths_px.map(|width_px| {
            match width_px >= SMALLEST_EDGE_PX {
                true => format!("{width_px:.0}"),
                false => "–".into(),
            }
        }));
        items.extend(row(index + 1, &ends, cells, |column| {
            let width_px = widths_px.get(column.wrapping_sub(COLUMN_ENDS_MM.len()));
            // A figure of 30 after rounding is bold.
            match width_px.is_some_and(|width_px| width_px.round() >= GOOD_EDGE_PX) {
                true => Face::Bold,
                false => Face::Regular,
            }
        }));
    }
    let bottom_mm = ROW_MM * (DISTANCES_M.len() + 1) as f64;
    let note = format!(
        "Bold: good. Plain: measured, with a wider ±. –: below {SMALLEST_EDGE_PX:.0} pixels, not measured."
    );
    let note_start = Point2::new(0.0, bottom_mm + 5.0);
    items.push(Item::Text(Text::across(
        note,
        Face::Regular,
        NOTE_PT,
        note_start,
    )));
    (items, bottom_mm + NOTE_MM)
}

fn column_ends_mm(width_mm: f64) -> Vec<f64> {
    let last = COLUMN_ENDS_MM[COLUMN_ENDS_MM.len() - 1];
    let step_mm = (width_mm - last) / EDGES_MM.len() as f64;
    let sizes = (1..=EDGES_MM.len()).map(|column| last + step_mm * column as f64);
    COLUMN_ENDS_MM.into_iter().chain(sizes).collect()
}

/// The cells of a row, each ending where its column does.
fn row(
    index: usize,
    ends_mm: &[f64],
    cells: impl Iterator<Item = String>,
    face: impl Fn(usize) -> Face,
) -> Vec<Item> {
    let base_mm = ROW_MM * index as f64 + BASE_MM;
    let cells = cells.zip(ends_mm).enumerate();
    cells
        .map(|(column, (content, end_mm))| {
            let face = face(column);
            let start_mm = end_mm - text_width_mm(&content, face, ROW_PT);
            let start = Point2::new(start_mm, base_mm);
            Item::Text(Text::across(content, face, ROW_PT, start))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tag_is_as_wide_as_similar_triangles_say() {
        // By hand: tan 31° = 0.6009, so 1920 px show 1.2017 m at 1 m; 20 mm of that are 31.95 px.
        assert!((usual_width_px(20.0, 1.0) - 31.95).abs() < 0.01);
        assert!((usual_width_px(20.0, 2.0) - 15.98).abs() < 0.01);
    }
}
