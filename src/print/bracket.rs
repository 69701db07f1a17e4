//! The bracket on which a surface tag leans: one strip of card, folded to a triangle.
//!
//! ```text
//!  printed strip           side view, camera to the right
//!  ┌─foot──┐                      A
//!  ├┄┄┄┄┄┄┄┤                     ╱╲         A: top of the tag
//!  │ prop  │               prop ╱  ╲ tag
//!  ├┄┄┄┄┄┄┄┤ A                 ╱    ╲
//!  │  tag  │                  ╱      ╲
//!  ├┄┄┄┄┄┄┄┤ T     hinge  H ─────tab───── T  trailing edge
//!  │  tab  │
//!  └───────┘ H
//! ```
//!
//! The tab is glued to the surface with T along the trailing edge. A tag that leans by λ from
//! square-on makes the angle 90° − λ with the tab, so by the law of cosines the prop is √(p² + t² −
//! 2 p t sin λ) long, with p the tag's panel and t the tab. The foot is glued inside, onto the back
//! of the tab.

use nalgebra::{Point2, Vector2};

use super::error::PrintError;
use super::flow::Block;
use super::pattern::{require_printable, tag, white_margin_mm};
use super::sheet::{Item, Line, LineKind, PointMm, Reading, Text};
use super::tag_order::TagOrder;
use super::typeface::{Face, figure, fitting_size_pt, shortened, text_width_mm};

/// A tag seen square-on hides its tilt; leaning by 30° shows half of it (sin 30°) and costs a
/// seventh of its height (1 − cos 30°).
pub const DEFAULT_LEAN_DEG: f64 = 30.0;

/// Beyond this the tag is seen so slantingly that its height halves.
const LARGEST_LEAN_DEG: f64 = 60.0;

/// Ratio of tab and panel: the prop is then nearly upright at the default lean.
const TAB_PER_PANEL: f64 = 0.6;

/// A shorter tab gives the glue too little hold (common practice, no source).
const SHORTEST_TAB_MM: f64 = 8.0;

/// Foot against tab, on whose back it is glued.
const FOOT_PER_TAB: f64 = 0.6;

/// Card of 160 g/m², as copy shops sell it.
const CARD_G_PER_MM2: f64 = 160e-6;

/// The measures of a bracket.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bracket {
    /// Lean of the tag from square-on.
    pub lean_deg: f64,
    /// Width of the strip: the tag and its white margin.
    pub width_mm: f64,
    /// Height of the tag's panel, fold to fold.
    pub panel_mm: f64,
    /// Length of the tab, trailing edge to hinge side.
    pub tab_mm: f64,
    /// Length of the prop, fold to fold.
    pub prop_mm: f64,
    /// Length of the foot.
    pub foot_mm: f64,
}

impl Bracket {
    /// The bracket of a tag.
    pub fn for_tag(edge_mm: f64, lean_deg: f64) -> Result<Self, PrintError> {
        require_printable(edge_mm)?;
        if !(0.0..=LARGEST_LEAN_DEG).contains(&lean_deg) {
            return Err(PrintError::LeanOutOfRange {
                lean_deg,
                largest_deg: LARGEST_LEAN_DEG,
            });
        }
        let panel_mm = edge_mm + 2.0 * white_margin_mm(edge_mm);
        let tab_mm = (TAB_PER_PANEL * panel_mm).max(SHORTEST_TAB_MM);
        let prop_squared_mm2 = panel_mm * panel_mm + tab_mm * tab_mm
            - 2.0 * panel_mm * tab_mm * lean_deg.to_radians().sin();
        Ok(Self {
            lean_deg,
            width_mm: panel_mm,
            panel_mm,
            tab_mm,
            prop_mm: prop_squared_mm2.sqrt(),
            foot_mm: FOOT_PER_TAB * tab_mm,
        })
    }

    /// Length of the strip, foot to tab.
    pub fn length_mm(&self) -> f64 {
        self.foot_mm + self.prop_mm + self.panel_mm + self.tab_mm
    }

    /// Its mass on card of 160 g/m², without glue.
    pub fn weight_g(&self) -> f64 {
        self.length_mm() * self.width_mm * CARD_G_PER_MM2
    }

    /// Positions of folds and ends down the strip: foot, prop, A, T, H.
    fn levels_mm(&self) -> Levels {
        let prop_top = self.foot_mm;
        let panel_top = prop_top + self.prop_mm;
        let trailing_edge = panel_top + self.panel_mm;
        Levels {
            prop_top,
            panel_top,
            trailing_edge,
            end: trailing_edge + self.tab_mm,
        }
    }
}

/// Heights along the strip, mm from its upper end.
struct Levels {
    prop_top: f64,
    panel_top: f64,
    trailing_edge: f64,
    end: f64,
}

/// Room for the labels at the right of the strip.
const LABEL_COLUMN_MM: f64 = 27.0;
const LABEL_PT: f64 = 6.5;
const NAME_PT: f64 = 8.0;
const NAME_HEIGHT_MM: f64 = 8.5;
/// How far the foot's sides are drawn in, so that it goes inside without catching.
const FOOT_TAPER_MM: f64 = 1.0;
/// Largest type on the strip itself; on small tags it shrinks to the strip's width.
const LARGEST_MARK_PT: f64 = 7.0;
/// The shortest prop that bears two marks, one above the other.
const TWO_MARKS_MM: f64 = 7.0;

/// Width and height of a bracket with its name and labels.
pub(super) fn block_size_mm(bracket: &Bracket) -> [f64; 2] {
    [
        bracket.width_mm + LABEL_COLUMN_MM,
        NAME_HEIGHT_MM + bracket.length_mm(),
    ]
}

/// The strip of one tag, with its name above and the names of its parts beside it.
pub(super) fn draw(order: &TagOrder, bracket: &Bracket) -> Result<Block, PrintError> {
    let [width_mm, height_mm] = block_size_mm(bracket);
    let levels = bracket.levels_mm();
    let mut strip = outline_and_folds(bracket, &levels);
    let margin_mm = white_margin_mm(order.edge_mm);
    let tag_corner = Point2::new(margin_mm, levels.panel_top + margin_mm);
    strip.push(Item::Pattern(tag(order.id, order.edge_mm, tag_corner)?));
    strip.extend(marks(order, bracket, &levels));
    strip.extend(labels(bracket, &levels));

    let below_name = Vector2::new(0.0, NAME_HEIGHT_MM);
    let mut items: Vec<Item> = strip
        .into_iter()
        .map(|item| item.moved(below_name))
        .collect();
    items.extend(name(order, bracket, width_mm));
    Ok(Block {
        width_mm,
        height_mm,
        items,
    })
}

/// Two lines above the strip: whose tag it is, and its measures.
fn name(order: &TagOrder, bracket: &Bracket, width_mm: f64) -> [Item; 2] {
    let number = format!("tag {}", order.id);
    let whose = match &order.name {
        Some(name) => {
            let number = format!(": {number}");
            let room_mm = width_mm - text_width_mm(&number, Face::Bold, NAME_PT);
            shortened(name, Face::Bold, NAME_PT, room_mm) + &number
        }
        None => number,
    };
    let measures = format!("{} mm; {:.2} g", figure(order.edge_mm), bracket.weight_g());
    let line = |content: String, face, base_mm| {
        let start = Point2::new(0.0, base_mm);
        Item::Text(Text::across(content, face, NAME_PT, start))
    };
    [
        line(whose, Face::Bold, 2.8),
        line(measures, Face::Regular, 6.3),
    ]
}

fn outline_and_folds(bracket: &Bracket, levels: &Levels) -> Vec<Item> {
    let right = bracket.width_mm;
    let corners = [
        (FOOT_TAPER_MM, 0.0),
        (right - FOOT_TAPER_MM, 0.0),
        (right, levels.prop_top),
        (right, levels.end),
        (0.0, levels.end),
        (0.0, levels.prop_top),
        (FOOT_TAPER_MM, 0.0),
    ];
    let outline = Item::Line(Line {
        points: corners.map(|(x, y)| Point2::new(x, y)).to_vec(),
        kind: LineKind::Cut,
    });
    let folds = [levels.prop_top, levels.panel_top, levels.trailing_edge]
        .map(|y| Item::line(LineKind::Fold, Point2::new(0.0, y), Point2::new(right, y)));
    std::iter::once(outline).chain(folds).collect()
}

/// Text that stays legible on the folded bracket: on the prop, which then faces the hinge, and on
/// the face that is glued.
fn marks(order: &TagOrder, bracket: &Bracket, levels: &Levels) -> Vec<Item> {
    let middle_x = bracket.width_mm / 2.0;
    let room_mm = bracket.width_mm - 1.0;
    let mark = |content: &str, face, reading, y| {
        let size_pt = fitting_size_pt(content, face, room_mm, LARGEST_MARK_PT);
        let text = Text {
            reading,
            ..Text::across(content, face, size_pt, Point2::new(middle_x, y))
        };
        Item::Text(text.centred())
    };
    let prop_middle = levels.prop_top + bracket.prop_mm / 2.0;
    let number = format!("tag {}", order.id);
    let on_prop = |content: &str, face, y| mark(content, face, Reading::OnItsHead, prop_middle + y);
    let mut marks = match bracket.prop_mm >= TWO_MARKS_MM {
        true => vec![
            on_prop(&number, Face::Bold, 0.8),
            on_prop("hinge side", Face::Regular, -2.4),
        ],
        false => vec![on_prop(&number, Face::Bold, -0.9)],
    };
    let on_tab = |content: &str, y| mark(content, Face::Regular, Reading::Across, y);
    marks.extend([
        on_tab("trailing edge", levels.trailing_edge + 2.8),
        on_tab("hinge side", levels.end - 1.3),
    ]);
    marks
}

/// Names of the parts, beside it.
fn labels(bracket: &Bracket, levels: &Levels) -> Vec<Item> {
    let text_left = bracket.width_mm + 3.5;
    let panel_middle = levels.panel_top + bracket.panel_mm / 2.0;
    let label = |content: &str, left: f64, y: f64| {
        let start = Point2::new(left, y + 0.8);
        Item::Text(Text::across(content, Face::Regular, LABEL_PT, start))
    };
    let beside = |content: &str, y: f64| label(content, text_left, y);
    let pointer = |y: f64| {
        let from = Point2::new(bracket.width_mm + 0.8, y);
        Item::line(LineKind::Pointer, from, Point2::new(text_left - 0.7, y))
    };
    vec![
        beside("foot: glue inside", levels.prop_top / 2.0),
        beside("prop", levels.prop_top + bracket.prop_mm / 2.0),
        up_arrow(Point2::new(text_left + 0.8, panel_middle - 1.0)),
        label("up", text_left + 2.2, panel_middle),
        pointer(levels.trailing_edge),
        beside("trailing edge", levels.trailing_edge),
        beside(
            "tab: glue to surface",
            levels.trailing_edge + bracket.tab_mm / 2.0,
        ),
        pointer(levels.end),
        beside("hinge side", levels.end),
    ]
}

/// An arrow head that points up, by its tip.
pub(super) fn up_arrow(tip: PointMm) -> Item {
    Item::Shape(vec![
        tip,
        tip + Vector2::new(0.8, 1.8),
        tip + Vector2::new(-0.8, 1.8),
    ])
}
