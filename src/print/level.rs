//! The sheet of a kit that says how to film the level clip.

use nalgebra::Point2;

use super::frame::{Heading, Page};
use super::paper::{Orientation, PageSetup};
use super::scene::{centred, head, label, pointer, stroke, tag};
use super::sheet::Item;
use crate::cautions::BEFORE_MOVING;

/// From the sketch from behind to the one from the side.
const SIDE_TOP_MM: f64 = 74.0;

/// The sheet.
pub(super) fn page(setup: &PageSetup) -> Page {
    let heading = Heading {
        title: "Level clip: how the two neutrals compare".into(),
        lines: LINES.map(String::from).into(),
        caution: Some(format!(
            "CAUTION: moving surfaces can hurt. {}",
            BEFORE_MOVING.join(" ")
        )),
        aside_mm: None,
    };
    let mut page = Page::new(setup, Orientation::Portrait, &heading);
    let corner = Point2::new(page.room.left_mm, page.room.top_mm);
    page.place(from_behind(), corner);
    page.place(
        from_the_side(),
        Point2::new(corner.x, corner.y + SIDE_TOP_MM),
    );
    page
}

/// What to do, one paragraph each.
const LINES: [&str; 6] = [
    "The main clip shows how each side moves from its own neutral. It does not show whether both sides \
     are level at neutral. A second clip of two or three seconds shows it, and sub-trim is then worked out \
     together with the other numbers.",
    "1. Switch the receiver off. Take the rods off the horns, or switch the servos off if the surfaces \
     then move freely. Leave the length of the rods as it is: a turned clevis moves neutral.",
    "2. Lay a straight edge across both surfaces so that they lie flat against it, and hold it with \
     clamps or tape. Use thin pads on foil and film. Cover no tag, and pull no surface out of line.",
    "3. Film two or three seconds from the place of the main clip, with all tags in the picture. Stills \
     work as well. Leave all tags on between the two clips.",
    "4. Put the rods back on, and film the main clip before or after. Then measure both together: \
     hingewise measure MAIN-CLIP --level LEVEL-CLIP, with the other options as usual.",
    "In one clip instead: hold the surfaces level for a part of it, and give its times in the model file: \
     level = { time_s = [1.0, 3.0] } below [stations].",
];

/// Both halves from behind, a straight edge clamped across them.
fn from_behind() -> Vec<Item> {
    let (left, right, edge_top) = (8.0, 168.0, 24.0);
    let mut items = vec![
        head("From behind"),
        // The straight edge, and the trailing edges below it.
        stroke(&rectangle(left, edge_top, right - left, 5.0)),
        stroke(&rectangle(14.0, edge_top + 5.0, 60.0, 3.0)),
        stroke(&rectangle(102.0, edge_top + 5.0, 60.0, 3.0)),
        // The fuselage, below the straight edge.
        stroke(&[
            (78.0, edge_top + 6.0),
            (98.0, edge_top + 6.0),
            (98.0, edge_top + 26.0),
            (78.0, edge_top + 26.0),
            (78.0, edge_top + 6.0),
        ]),
        tag(40.0, edge_top + 12.6, 3.6),
        tag(136.0, edge_top + 12.6, 3.6),
        tag(88.0, edge_top + 16.0, 3.6),
        label("straight edge across both surfaces", 98.0, 15.0),
        pointer((118.0, 16.6), (112.0, edge_top - 0.6)),
        label("clamp or tape, clear of the tags", 8.0, 15.0),
        pointer((22.0, 16.6), (22.0, edge_top - 3.6)),
        centred("tag of the left surface", 40.0, edge_top + 24.0),
        centred("tag of the right surface", 136.0, edge_top + 24.0),
        centred("airframe tag", 88.0, edge_top + 31.0),
    ];
    for x in [22.0, 58.0, 118.0, 154.0] {
        items.push(stroke(&[
            (x - 2.0, edge_top - 3.0),
            (x + 2.0, edge_top - 3.0),
            (x + 2.0, edge_top + 10.5),
            (x - 2.0, edge_top + 10.5),
            (x - 2.0, edge_top - 3.0),
        ]));
    }
    items
}

/// One half from the side: fixed part, hinge, surface, straight edge, rod off the horn.
fn from_the_side() -> Vec<Item> {
    let level = 30.0;
    vec![
        head("From the side"),
        // The fixed part, its nose at the left, and the surface behind the hinge.
        stroke(&[
            (20.0, level),
            (24.0, level - 4.0),
            (70.0, level - 4.0),
            (74.0, level),
        ]),
        stroke(&[
            (20.0, level),
            (24.0, level + 4.0),
            (70.0, level + 4.0),
            (74.0, level),
        ]),
        stroke(&[
            (76.0, level - 3.0),
            (126.0, level - 0.6),
            (126.0, level + 0.6),
            (76.0, level + 3.0),
            (76.0, level - 3.0),
        ]),
        // The straight edge, seen end-on, on the surface.
        stroke(&rectangle(100.0, level - 8.6, 4.0, 7.0)),
        tag(130.4, level, 3.2),
        // Horn and rod, apart.
        stroke(&[(82.0, level + 3.0), (84.0, level + 14.0)]),
        stroke(&[(34.0, level + 18.0), (78.0, level + 18.0)]),
        label("fixed part", 38.0, level + 1.0),
        label("hinge", 66.0, level - 10.0),
        pointer((72.0, level - 9.0), (74.8, level - 1.6)),
        label("straight edge, end-on", 106.0, level - 8.0),
        label("tag", 136.0, level + 1.0),
        label("rod off the horn, its length unchanged", 34.0, level + 23.0),
    ]
}

fn rectangle(left: f64, top: f64, width: f64, height: f64) -> [(f64, f64); 5] {
    let (right, bottom) = (left + width, top + height);
    [
        (left, top),
        (right, top),
        (right, bottom),
        (left, bottom),
        (left, top),
    ]
}
