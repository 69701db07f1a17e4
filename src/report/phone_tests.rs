//! Drawings for a phone are legible there, and no table is cut off.

use super::*;
use crate::measurement::sample::heron;
use svg::{Anchor, TextStyle};

/// Width of a phone's page, px: 390 less its margins.
const PHONE_PX: f64 = 360.0;

/// Smallest letters that are read without effort on a phone held in the hand, px (common practice, no
/// source).
const SMALLEST_LETTERS_PX: f64 = 10.0;

/// Value of an attribute of an element.
fn attribute<'a>(element: &'a str, name: &str) -> &'a str {
    let (_, rest) = element.split_once(&format!(" {name}=\"")).unwrap();
    rest.split_once('"').unwrap().0
}

fn number(element: &str, name: &str) -> f64 {
    attribute(element, name).parse().unwrap()
}

/// Every text of a drawing with its left and right end and the height of its letters.
fn texts(drawing: &str) -> Vec<(String, [f64; 2], f64)> {
    let elements = drawing.split("<text").skip(1);
    elements
        .map(|element| {
            let element = &format!(" {element}");
            let (x, size) = (number(element, "x"), number(element, "font-size"));
            let (_, rest) = element.split_once('>').unwrap();
            let content = rest.split_once('<').unwrap().0;
            let width = TextStyle::new(size, "", Anchor::Start).width(content);
            let left = match attribute(element, "text-anchor") {
                "start" => x,
                "middle" => x - width / 2.0,
                _ => x - width,
            };
            (content.to_owned(), [left, left + width], size)
        })
        .collect()
}

fn narrow_drawings() -> Vec<String> {
    let measurement = heron();
    let correction = &measurement.matches[0];
    let shown = page::pair(&measurement, correction);
    vec![
        charts::mismatch(correction, Some(0.3), Format::Narrow),
        charts::response(&shown, Format::Narrow),
        charts::straight_line_departure(&shown, Format::Narrow),
        charts::timeline(&measurement, Format::Narrow),
        charts::hinges(&measurement.surfaces, Format::Narrow),
    ]
}

#[test]
fn words_of_drawings_for_a_phone_are_large_enough_and_inside() {
    for drawing in narrow_drawings() {
        assert!(drawing.contains("viewBox=\"0 0 360 "));
        let texts = texts(&drawing);
        assert!(texts.len() > 3);
        for (content, [left, right], size) in texts {
            assert!(size * PHONE_PX / 360.0 >= SMALLEST_LETTERS_PX, "{content}");
            assert!(
                left >= 0.0 && right <= 360.0,
                "{content}: {left} to {right}"
            );
        }
    }
}

#[test]
fn words_below_an_axis_do_not_run_into_each_other() {
    for drawing in narrow_drawings() {
        let mut ends: Vec<[f64; 2]> = texts(&drawing)
            .into_iter()
            .filter(|(content, ..)| {
                content
                    .trim_start_matches(['+', '−'])
                    .parse::<f64>()
                    .is_ok()
            })
            .map(|(_, ends, _)| ends)
            .collect();
        // Words beside the other axis all end at one place.
        ends.retain(|[left, _]| *left > 44.0 - 8.0);
        ends.sort_by(|a, b| a[0].total_cmp(&b[0]));
        ends.dedup();
        let is_shaded = drawing.contains("shaded");
        for pair in ends.windows(2).filter(|_| !is_shaded) {
            assert!(pair[0][1] <= pair[1][0], "{pair:?}");
        }
    }
}

#[test]
fn every_table_has_a_box_in_which_it_scrolls() {
    let templates = [
        include_str!("templates/report.html"),
        include_str!("templates/numbers.html"),
        include_str!("templates/comparison.html"),
        include_str!("templates/calibration.html"),
        include_str!("templates/setup_sheet.html"),
        include_str!("templates/unfinished.html"),
    ];
    for template in templates {
        let tables = template.matches("<table").count();
        let boxes = template.matches("<div class=\"scroll\"><table").count();
        assert!(tables > 0 && boxes == tables, "{template}");
    }
}

#[test]
fn every_drawing_of_the_page_has_two_widths() {
    let page = page::page(&heron(), None).unwrap();
    let drawings = page.matches("<svg").count();
    for class in ["wide-drawing", "narrow-drawing"] {
        let count = page.matches(&format!("<div class=\"{class}\">")).count();
        assert_eq!(2 * count, drawings, "{class}");
    }
}
