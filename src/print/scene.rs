//! Two sketches of a clip being filmed: the places of tags and camera, and the camera's picture.

use nalgebra::Point2;

use super::sheet::{Item, Line, LineKind, PointMm, Text};
use super::typeface::{Face, wrapped};

const LABEL_PT: f64 = 8.0;
const HEAD_PT: f64 = 10.0;
const LEADING_MM: f64 = 3.8;
/// From the upper side of a sketch to the base line of its head.
const HEAD_MM: f64 = 10.0;
/// Width of the sketch from above, and where the other one begins.
const ABOVE_MM: f64 = 94.0;

/// Both sketches side by side, from the upper left corner of the room for them.
pub(super) fn drawings(width_mm: f64) -> Vec<Item> {
    let mut items = from_above();
    let left_mm = ABOVE_MM + 4.0;
    let by = Point2::new(left_mm, 0.0).coords;
    let seen = from_the_camera(width_mm - left_mm);
    items.extend(seen.into_iter().map(|item| item.moved(by)));
    items
}

fn at(x: f64, y: f64) -> PointMm {
    Point2::new(x, y)
}

pub(super) fn stroke(points: &[(f64, f64)]) -> Item {
    Item::Line(Line {
        points: points.iter().map(|&(x, y)| at(x, y)).collect(),
        kind: LineKind::Drawing,
    })
}

pub(super) fn pointer(from: (f64, f64), to: (f64, f64)) -> Item {
    Item::line(LineKind::Pointer, at(from.0, from.1), at(to.0, to.1))
}

/// A tag, as a black square about its middle.
pub(super) fn tag(x: f64, y: f64, half: f64) -> Item {
    let corners = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)];
    let corner = |(right, down): (f64, f64)| at(x + half * right, y + half * down);
    Item::Shape(corners.map(corner).to_vec())
}

pub(super) fn head(content: &str) -> Item {
    Item::Text(Text::across(content, Face::Bold, HEAD_PT, at(0.0, HEAD_MM)))
}

pub(super) fn label(content: &str, x: f64, y: f64) -> Item {
    Item::Text(Text::across(content, Face::Regular, LABEL_PT, at(x, y)))
}

pub(super) fn centred(content: &str, x: f64, y: f64) -> Item {
    Item::Text(Text::across(content, Face::Regular, LABEL_PT, at(x, y)).centred())
}

/// A paragraph from a base line on.
fn paragraph(content: &str, x: f64, y: f64, width_mm: f64) -> Vec<Item> {
    let lines = wrapped(content, Face::Regular, LABEL_PT, width_mm);
    let rows = lines.iter().enumerate();
    rows.map(|(row, line)| label(line, x, y + LEADING_MM * row as f64))
        .collect()
}

/// The tail from above, the camera behind it.
fn from_above() -> Vec<Item> {
    let mut items = vec![
        head("From above"),
        // The fuselage, broken off towards the nose, and the two halves of the tailplane.
        stroke(&[(41.0, 15.0), (41.0, 45.0), (47.0, 45.0), (47.0, 15.0)]),
        stroke(&[(41.0, 20.0), (8.0, 24.0), (8.0, 38.0), (41.0, 40.0)]),
        stroke(&[(47.0, 20.0), (80.0, 24.0), (80.0, 38.0), (47.0, 40.0)]),
        // Hinge lines.
        Item::line(LineKind::Fold, at(8.0, 31.5), at(41.0, 31.5)),
        Item::line(LineKind::Fold, at(47.0, 31.5), at(80.0, 31.5)),
        tag(22.0, 39.6, 1.8),
        tag(66.0, 39.6, 1.8),
        tag(44.0, 46.5, 1.8),
        label("one tag on each trailing edge,", 0.0, 50.0),
        label("print towards the camera", 0.0, 53.8),
        pointer((20.0, 46.6), (21.2, 42.4)),
        label("airframe tag: on a part", 53.0, 50.0),
        label("that does not move", 53.0, 53.8),
        pointer((52.0, 48.8), (46.6, 47.2)),
    ];
    items.extend(camera_and_person());
    items.extend(paragraph(
        "Light from the camera's side, no lamp mirrored in the paper, no edge of a shadow on a tag.",
        0.0,
        112.0,
        ABOVE_MM - 4.0,
    ));
    items
}

/// The camera behind the tail with its distance, and the person beside the line of sight.
fn camera_and_person() -> Vec<Item> {
    vec![
        // The camera and its field of view.
        stroke(&[
            (40.5, 92.0),
            (47.5, 92.0),
            (47.5, 97.0),
            (40.5, 97.0),
            (40.5, 92.0),
        ]),
        stroke(&[(42.5, 92.0), (42.5, 90.0), (45.5, 90.0), (45.5, 92.0)]),
        stroke(&[(43.4, 89.5), (28.0, 64.0)]),
        stroke(&[(44.6, 89.5), (60.0, 64.0)]),
        centred("camera on a tripod, straight behind,", 44.0, 102.0),
        centred("its lens at the height of the tags", 44.0, 105.8),
        // The person at the stick.
        stroke(&circle(12.0, 76.0, 3.0)),
        label("you, with the transmitter:", 0.0, 84.0),
        label("never between", 0.0, 87.8),
        label("camera and tags", 0.0, 91.6),
        // The distance.
        stroke(&[(88.0, 40.0), (88.0, 62.0)]),
        stroke(&[(88.0, 68.0), (88.0, 90.0)]),
        stroke(&[(86.0, 40.0), (90.0, 40.0)]),
        stroke(&[(86.0, 90.0), (90.0, 90.0)]),
        centred("distance", 88.0, 66.0),
    ]
}

/// The camera's picture, with the given width.
fn from_the_camera(width_mm: f64) -> Vec<Item> {
    let scale = width_mm / 88.0;
    let top = HEAD_MM + 3.0;
    let x = |share: f64| share * scale;
    let y = |below: f64| top + below * scale;
    let bottom = y(49.5);
    let place = |(right, down): (f64, f64)| (x(right), y(down));
    let drawn = |points: &[(f64, f64)]| {
        stroke(&points.iter().map(|&point| place(point)).collect::<Vec<_>>())
    };
    let fuselage: Vec<(f64, f64)> = circle(44.0, 24.0, 6.0).to_vec();
    let mut items = vec![
        head("What the camera sees"),
        drawn(&[
            (0.0, 0.0),
            (88.0, 0.0),
            (88.0, 49.5),
            (0.0, 49.5),
            (0.0, 0.0),
        ]),
        drawn(&fuselage),
        drawn(&[(38.2, 22.6), (8.0, 21.5), (8.0, 22.7), (38.1, 25.0)]),
        drawn(&[(49.8, 22.6), (80.0, 21.5), (80.0, 22.7), (49.9, 25.0)]),
        drawn(&[(43.4, 18.0), (43.4, 4.0), (44.6, 4.0), (44.6, 18.0)]),
        tag(x(22.0), y(27.2), 2.9 * scale),
        tag(x(66.0), y(27.2), 2.9 * scale),
        tag(x(44.0), y(24.0), 2.9 * scale),
        centred("left", x(22.0), y(35.5)),
        centred("right", x(66.0), y(35.5)),
        centred("airframe", x(44.0), y(35.5)),
    ];
    let advice = [
        "All tags whole in the picture at every stick position, as large as possible, sharp, and none \
         seen from the side or edge-on.",
        "The white margin around each black square stays free: no finger, no tape, no hinge line over it.",
        "Left and right are those of the aircraft seen from behind, as the camera sees it.",
    ];
    let mut below = bottom + 6.0;
    for sentence in advice {
        let rows = paragraph(sentence, 0.0, below, width_mm);
        below += LEADING_MM * rows.len() as f64 + 1.6;
        items.extend(rows);
    }
    items
}

fn circle(x: f64, y: f64, radius: f64) -> [(f64, f64); 25] {
    std::array::from_fn(|step| {
        let (sine, cosine) = (step as f64 * std::f64::consts::TAU / 24.0).sin_cos();
        (x + radius * cosine, y + radius * sine)
    })
}
