//! Sheets of tags, flat or on brackets.

use nalgebra::{Point2, Vector2};

use super::bracket::{self, Bracket};
use super::document::Document;
use super::error::PrintError;
use super::flow::{Block, flow};
use super::frame::{Heading, Page};
use super::paper::{Orientation, PageSetup};
use super::pattern::{require_printable, tag, white_margin_mm};
use super::sheet::{Area, Item, Line, LineKind, Text};
use super::sketch;
use super::tag_order::TagOrder;
use super::typeface::{Face, figure, fitting_size_pt};

/// How a tag gets onto the aircraft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TagMount {
    /// Glued flat.
    Flat,
    /// On a fold-up bracket.
    Bracket {
        /// Lean from square-on.
        lean_deg: f64,
    },
}

/// Sheets of tags in the order given.
pub fn tags(
    orders: &[TagOrder],
    mount: TagMount,
    setup: &PageSetup,
) -> Result<Document, PrintError> {
    if orders.is_empty() {
        return Err(PrintError::NoTags);
    }
    let (title, pages) = match mount {
        TagMount::Flat => ("Tags", flat_pages(orders, setup)?),
        TagMount::Bracket { lean_deg } => {
            ("Tags on brackets", bracket_pages(orders, lean_deg, setup)?)
        }
    };
    Ok(Document::bound(title, pages))
}

/// Height of the strip under a flat tag that bears its id and the arrow.
const STRIP_HEIGHT_MM: f64 = 4.5;
const STRIP_PT: f64 = 7.0;
/// Rather than smaller type, less is said.
const SMALLEST_STRIP_PT: f64 = 5.0;
/// From the left of the strip to its text, beyond the arrow.
const STRIP_TEXT_LEFT_MM: f64 = 2.6;

/// Sheets of tags to be glued flat.
pub(super) fn flat_pages(orders: &[TagOrder], setup: &PageSetup) -> Result<Vec<Page>, PrintError> {
    let heading = Heading {
        title: "Tags to glue flat".into(),
        lines: vec![
            "Cut along the grey lines: the white margin around each black square must stay. The \
             arrow points up."
                .into(),
            "Glue each tag flat, with no wave and no gloss over it. Its edge in mm is written below \
             it: it belongs into the model file as edge_mm."
                .into(),
        ],
        caution: None,
        aside_mm: None,
    };
    let empty = Page::new(setup, Orientation::Portrait, &heading);
    let blocks = orders
        .iter()
        .map(|order| {
            require_printable(order.edge_mm)?;
            let square_mm = order.edge_mm + 2.0 * white_margin_mm(order.edge_mm);
            let strip_mm = [0.0, STRIP_HEIGHT_MM];
            require_room(order, [square_mm; 2], strip_mm, &empty.room, setup)?;
            flat_block(order)
        })
        .collect::<Result<_, _>>()?;
    Ok(flow(blocks, &empty))
}

fn flat_block(order: &TagOrder) -> Result<Block, PrintError> {
    let margin_mm = white_margin_mm(order.edge_mm);
    let width_mm = order.edge_mm + 2.0 * margin_mm;
    let height_mm = width_mm + STRIP_HEIGHT_MM;
    let text_room_mm = width_mm - STRIP_TEXT_LEFT_MM - 0.5;
    let (content, size_pt) = strip_text(order, text_room_mm);
    let text_start = Point2::new(STRIP_TEXT_LEFT_MM, height_mm - 1.4);
    let items = vec![
        Item::Line(Line {
            points: Area::new(0.0, 0.0, width_mm, height_mm).outline(),
            kind: LineKind::Cut,
        }),
        Item::Pattern(tag(
            order.id,
            order.edge_mm,
            Point2::new(margin_mm, margin_mm),
        )?),
        bracket::up_arrow(Point2::new(1.4, width_mm + 1.2)),
        Item::Text(Text::across(content, Face::Regular, size_pt, text_start)),
    ];
    Ok(Block {
        width_mm,
        height_mm,
        items,
    })
}

/// As much of the tag's label as is legible at the width of its strip.
fn strip_text(order: &TagOrder, room_mm: f64) -> (String, f64) {
    let (id, edge_mm) = (order.id, figure(order.edge_mm));
    let full = match &order.name {
        Some(name) => format!("{name}, tag {id}, {edge_mm} mm"),
        None => format!("tag {id}, {edge_mm} mm"),
    };
    let last = id.to_string();
    let sized = |content: String| {
        let size_pt = fitting_size_pt(&content, Face::Regular, room_mm, STRIP_PT);
        (content, size_pt)
    };
    [full, format!("{id}, {edge_mm} mm")]
        .into_iter()
        .map(sized)
        .find(|(_, size_pt)| *size_pt >= SMALLEST_STRIP_PT)
        .unwrap_or_else(|| sized(last))
}

/// Sheets of tags on brackets.
pub(super) fn bracket_pages(
    orders: &[TagOrder],
    lean_deg: f64,
    setup: &PageSetup,
) -> Result<Vec<Page>, PrintError> {
    let mut empty = Page::new(setup, Orientation::Portrait, &bracket_heading(lean_deg));
    let mut blocks = Vec::new();
    for order in orders {
        let measures = Bracket::for_tag(order.edge_mm, lean_deg)?;
        let block_mm = bracket::block_size_mm(&measures);
        // Everything about a bracket grows with its panel, except where the smallest measures
        // hold; those fit on any paper.
        let strip_mm = [measures.width_mm, measures.length_mm()];
        let taken_mm = [block_mm[0] - strip_mm[0], block_mm[1] - strip_mm[1]];
        require_room(order, strip_mm, taken_mm, &empty.room, setup)?;
        blocks.push(bracket::draw(order, &measures)?);
    }
    if let Some(first) = orders.first() {
        let measures = Bracket::for_tag(first.edge_mm, lean_deg)?;
        let sketch = sketch::side_view(&measures, &empty.aside);
        empty.place(sketch, Point2::origin());
    }
    Ok(flow(blocks, &empty))
}

fn bracket_heading(lean_deg: f64) -> Heading {
    Heading {
        title: "Surface tags on fold-up brackets".into(),
        lines: vec![
            "1. Print on card of about 160 g/m². Cut along the solid lines; the white margin \
             around the black square must stay."
                .into(),
            "2. Score the dashed lines and fold them backwards, so that the print stays outside.".into(),
            format!(
                "3. Glue the foot onto the blank back of the tab, its fold flush with the tab's \
                 end. The triangle holds the tag {}° from square-on; a few degrees more or \
                 less do not matter.",
                figure(lean_deg)
            ),
            "4. Glue the tab onto the surface: the fold under the tag along the trailing edge, the \
             tab's end towards the hinge. On a rudder the tag then lies on its side, which does no \
             harm. The bracket must not wobble on the surface."
                .into(),
        ],
        caution: None,
        aside_mm: Some(sketch::SIZE_MM),
    }
}

/// Refuses a tag that is larger than the page.
///
/// `growing_mm` is the part of its size that is proportional to the edge, `fixed_mm` the rest.
fn require_room(
    order: &TagOrder,
    growing_mm: [f64; 2],
    fixed_mm: [f64; 2],
    room: &Area,
    setup: &PageSetup,
) -> Result<(), PrintError> {
    let room_mm = Vector2::new(room.width_mm, room.height_mm) - Vector2::from(fixed_mm);
    let factor = (room_mm.x / growing_mm[0]).min(room_mm.y / growing_mm[1]);
    if factor >= 1.0 {
        return Ok(());
    }
    Err(PrintError::TagTooLarge {
        edge_mm: order.edge_mm,
        largest_mm: (order.edge_mm * factor).floor(),
        paper: setup.paper.name(),
    })
}
