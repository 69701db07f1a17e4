//! A side view of the bracket on its surface.

use nalgebra::{Point2, Vector2};

use super::bracket::Bracket;
use super::sheet::{Area, Item, Line, LineKind, PointMm, Text};
use super::typeface::{Face, figure};

/// Width and height of the sketch.
pub(super) const SIZE_MM: [f64; 2] = [70.0, 36.0];

/// The tag's panel in the sketch; everything else keeps its proportion to it.
const PANEL_MM: f64 = 15.0;
const LABEL_PT: f64 = 7.0;

/// Draws the bracket from the side, hinge to the left and camera to the right.
pub(super) fn side_view(bracket: &Bracket, area: &Area) -> Vec<Item> {
    let scale = PANEL_MM / bracket.panel_mm;
    let lean_rad = bracket.lean_deg.to_radians();
    let trailing_edge = Point2::new(area.left_mm + 44.0, area.bottom_mm() - 8.0);
    let top = trailing_edge + PANEL_MM * Vector2::new(-lean_rad.sin(), -lean_rad.cos());
    let tab_end = trailing_edge - Vector2::new(bracket.tab_mm * scale, 0.0);
    let hinge = Point2::new(area.left_mm + 8.0, trailing_edge.y + 1.6);

    let mut items = vec![
        drawing(vec![
            hinge + Vector2::new(0.0, -1.6),
            trailing_edge,
            hinge + Vector2::new(0.0, 1.6),
        ]),
        drawing(circle(hinge, 1.6)),
        drawing(vec![trailing_edge, tab_end, top]),
        thick(trailing_edge, top),
        label("hinge", hinge + Vector2::new(0.0, 5.0)),
        label("trailing edge", trailing_edge + Vector2::new(0.0, 4.2)),
    ];
    items.extend(lean_mark(trailing_edge, bracket.lean_deg));
    items.extend(camera_arrow(trailing_edge, area.right_mm()));
    items
}

/// The upright, the angle from it to the tag, and its figure.
fn lean_mark(trailing_edge: PointMm, lean_deg: f64) -> Vec<Item> {
    let at = |angle_deg: f64, radius_mm: f64| {
        let (sine, cosine) = angle_deg.to_radians().sin_cos();
        trailing_edge + radius_mm * Vector2::new(-sine, -cosine)
    };
    let steps = 12;
    let arc = (0..=steps)
        .map(|step| {
            at(
                lean_deg * f64::from(step) / f64::from(steps),
                PANEL_MM + 2.0,
            )
        })
        .collect();
    vec![
        Item::line(LineKind::Fold, trailing_edge, at(0.0, PANEL_MM + 3.0)),
        drawing(arc),
        label(
            &format!("{}°", figure(lean_deg)),
            at(lean_deg / 2.0, PANEL_MM + 5.0),
        ),
    ]
}

fn camera_arrow(trailing_edge: PointMm, right_mm: f64) -> Vec<Item> {
    let tip = trailing_edge + Vector2::new(3.0, -PANEL_MM / 2.0);
    let tail = Point2::new(right_mm - 1.0, tip.y);
    let middle = Point2::new((tip.x + tail.x) / 2.0 + 1.0, tip.y - 1.5);
    vec![
        Item::line(LineKind::Drawing, tip + Vector2::new(2.0, 0.0), tail),
        Item::Shape(vec![
            tip,
            tip + Vector2::new(2.2, -0.9),
            tip + Vector2::new(2.2, 0.9),
        ]),
        label("from the camera", middle),
    ]
}

fn drawing(points: Vec<PointMm>) -> Item {
    Item::Line(Line {
        points,
        kind: LineKind::Drawing,
    })
}

/// The tag's panel, drawn as a stroke of 0.8 mm.
fn thick(from: PointMm, to: PointMm) -> Item {
    let along = (to - from).normalize();
    let across = 0.4 * Vector2::new(along.y, -along.x);
    Item::Shape(vec![from + across, to + across, to - across, from - across])
}

fn circle(centre: PointMm, radius_mm: f64) -> Vec<PointMm> {
    (0..=24)
        .map(|step| {
            let (sine, cosine) = (f64::from(step) * std::f64::consts::TAU / 24.0).sin_cos();
            centre + radius_mm * Vector2::new(cosine, sine)
        })
        .collect()
}

fn label(content: &str, middle: PointMm) -> Item {
    Item::Text(Text::across(content, Face::Regular, LABEL_PT, middle).centred())
}
