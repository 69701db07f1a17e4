//! Nothing on a sheet touches anything else, and nothing leaves the printable part.

use hingewise::print::{
    Area, Document, Face, Item, Line, LineKind, MeasuredBar, PageSetup, Paper, PointMm, Reading,
    Sheet, TagMount, TagOrder, Text, tags, text_width_mm,
};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use super::poppler::Printed;
use super::samples;

/// What common printers cannot reach at the edge of the paper (common practice, no source).
const UNPRINTABLE_MM: f64 = 5.0;

/// Sums of lengths that meet exactly may overlap by rounding.
const ROUNDING_MM: f64 = 1e-6;

fn setups() -> Vec<PageSetup> {
    let corrected = |paper, short, long| PageSetup {
        paper,
        measured_bar: Some(MeasuredBar::new(short, long).unwrap()),
    };
    vec![
        PageSetup::default(),
        samples::LETTER,
        corrected(Paper::A4, 97.0, 96.5),
        corrected(Paper::Letter, 101.2, 103.0),
    ]
}

#[test]
fn nothing_touches_and_nothing_leaves_the_printable_part() {
    for setup in setups() {
        for (name, document) in samples::all(&setup) {
            for (index, sheet) in document.sheets.iter().enumerate() {
                let faults = faults(sheet);
                assert!(
                    faults.is_empty(),
                    "{name} on {setup:?}, sheet {}: {faults:#?}",
                    index + 1
                );
            }
        }
    }
}

#[test]
fn every_sheet_bears_two_bars_a_title_and_its_number() {
    for (name, document) in samples::all(&PageSetup::default()) {
        for sheet in &document.sheets {
            let bars = sheet
                .items
                .iter()
                .filter(|item| matches!(item, Item::Bar(_)))
                .count();
            assert_eq!(bars, 2, "{name}");
            let says = |part: &str| texts(sheet).any(|text| text.content.contains(part));
            assert!(says("sheet ") && says("along the short side"), "{name}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 100,
        rng_seed: RngSeed::Fixed(1),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn tags_of_any_size_and_name_are_laid_out_without_clashes(
        ordered in proptest::collection::vec((0_u32..587, 6.0_f64..45.0, "[A-Za-zäöü ]{0,60}"), 1..12),
        lean_deg in 0.0_f64..=60.0,
        on_brackets in any::<bool>(),
    ) {
        let orders: Vec<TagOrder> = ordered
            .into_iter()
            .map(|(id, edge_mm, name)| TagOrder { id, edge_mm, name: Some(name) })
            .collect();
        let mount = match on_brackets {
            true => TagMount::Bracket { lean_deg },
            false => TagMount::Flat,
        };
        let document = tags(&orders, mount, &samples::LETTER).unwrap();
        for sheet in &document.sheets {
            prop_assert_eq!(faults(sheet), Vec::<String>::new());
        }
    }
}

/// The widths that keep texts apart, against the ones that poppler brings for the base fonts.
#[test]
fn text_is_as_wide_as_poppler_draws_it() {
    let printable = || {
        ('!'..='~')
            .chain('¡'..='ÿ')
            .filter(|&letter| letter != '\u{ad}')
    };
    let mut items = Vec::new();
    for (column, face) in [Face::Regular, Face::Bold].into_iter().enumerate() {
        for (row, letter) in printable().enumerate() {
            let content: String = std::iter::repeat_n(letter, 4).collect();
            let start = PointMm::new(20.0 + 90.0 * column as f64, 4.0 + 4.0 * row as f64);
            items.push(Item::Text(Text::across(content, face, 10.0, start)));
        }
    }
    let expected: Vec<(String, f64)> = items
        .iter()
        .filter_map(|item| match item {
            Item::Text(text) => Some((text.content.clone(), text.width_mm())),
            _ => None,
        })
        .collect();
    let document = Document {
        title: "widths".into(),
        sheets: vec![Sheet {
            width_mm: 210.0,
            height_mm: 800.0,
            printer_scale: [1.0, 1.0],
            items,
        }],
    };
    let mut compared = 0;
    for (content, [left_mm, right_mm]) in Printed::exactly(&document).words() {
        let face_matches = |(text, width_mm): &&(String, f64)| {
            *text == content && (width_mm - (right_mm - left_mm)).abs() < 0.01
        };
        let content_is_ours = expected.iter().any(|(text, _)| *text == content);
        if content_is_ours {
            assert!(
                expected.iter().any(|entry| face_matches(&entry)),
                "{content} is {} mm wide, not {}",
                right_mm - left_mm,
                text_width_mm(&content, Face::Regular, 10.0)
            );
            compared += 1;
        }
    }
    assert!(compared > 300, "only {compared} words could be compared");
}

fn texts(sheet: &Sheet) -> impl Iterator<Item = &Text> {
    sheet.items.iter().filter_map(|item| match item {
        Item::Text(text) => Some(text),
        _ => None,
    })
}

/// What is wrong with a sheet, in words.
fn faults(sheet: &Sheet) -> Vec<String> {
    let mut faults = Vec::new();
    for (index, item) in sheet.items.iter().enumerate() {
        if !inside(&item.bounds(), &printable(sheet)) {
            faults.push(format!("outside: {}", brief(item)));
        }
        for other in &sheet.items[index + 1..] {
            if touch(item, other) {
                faults.push(format!("{} touches {}", brief(item), brief(other)));
            }
        }
    }
    faults
}

/// What the printer reaches, and what of the page it does not push off the paper or leave blank.
fn printable(sheet: &Sheet) -> Area {
    let inset = |side_mm: f64, scale: f64| UNPRINTABLE_MM.max((1.0 - scale) * side_mm / 2.0);
    let x_mm = inset(sheet.width_mm, sheet.printer_scale[0]);
    let y_mm = inset(sheet.height_mm, sheet.printer_scale[1]);
    Area::new(
        x_mm,
        y_mm,
        sheet.width_mm - 2.0 * x_mm,
        sheet.height_mm - 2.0 * y_mm,
    )
}

fn inside(inner: &Area, outer: &Area) -> bool {
    inner.left_mm >= outer.left_mm - ROUNDING_MM
        && inner.top_mm >= outer.top_mm - ROUNDING_MM
        && inner.right_mm() <= outer.right_mm() + ROUNDING_MM
        && inner.bottom_mm() <= outer.bottom_mm() + ROUNDING_MM
}

/// Whether two items come into each other's way. Strokes may meet strokes and shapes, since
/// drawings are made of them; a shape, like a text, keeps clear of all the rest.
fn touch(a: &Item, b: &Item) -> bool {
    match (a, b) {
        (Item::Line(_), Item::Line(_) | Item::Shape(_)) | (Item::Shape(_), Item::Line(_)) => false,
        (Item::Line(line), solid) | (solid, Item::Line(line)) => {
            crosses(line, &solid.bounds().grown(-ROUNDING_MM))
        }
        (a, b) => overlap(&a.bounds().grown(-ROUNDING_MM), &b.bounds()),
    }
}

fn overlap(a: &Area, b: &Area) -> bool {
    a.left_mm < b.right_mm()
        && b.left_mm < a.right_mm()
        && a.top_mm < b.bottom_mm()
        && b.top_mm < a.bottom_mm()
}

/// Whether any stroke of the line enters the area (Liang and Barsky's clipping).
fn crosses(line: &Line, area: &Area) -> bool {
    line.points.windows(2).any(|ends| {
        let along = ends[1] - ends[0];
        let mut span = [0.0_f64, 1.0];
        for (start, step, low, high) in [
            (ends[0].x, along.x, area.left_mm, area.right_mm()),
            (ends[0].y, along.y, area.top_mm, area.bottom_mm()),
        ] {
            if step == 0.0 {
                if start <= low || start >= high {
                    return false;
                }
                continue;
            }
            let [enter, leave] = [(low - start) / step, (high - start) / step];
            span[0] = span[0].max(enter.min(leave));
            span[1] = span[1].min(enter.max(leave));
        }
        span[0] < span[1]
    })
}

fn brief(item: &Item) -> String {
    match item {
        Item::Text(text) => format!("\"{}\" {:?}", text.content, text.bounds()),
        Item::Line(line) if line.kind == LineKind::Cut => format!("cut {:?}", line.points),
        other => format!("{other:?}").chars().take(160).collect(),
    }
}

/// The check itself sees what it is there to see.
#[test]
fn a_clash_is_noticed() {
    let text = |x| {
        Item::Text(Text::across(
            "word",
            Face::Regular,
            10.0,
            PointMm::new(x, 50.0),
        ))
    };
    let sheet = |items| Sheet {
        width_mm: 210.0,
        height_mm: 297.0,
        printer_scale: [1.0, 1.0],
        items,
    };
    let stroke = Item::Line(Line {
        points: vec![PointMm::new(20.0, 45.0), PointMm::new(26.0, 55.0)],
        kind: LineKind::Drawing,
    });
    let on_its_head = Item::Text(Text {
        reading: Reading::OnItsHead,
        ..Text::across("word", Face::Regular, 10.0, PointMm::new(21.0, 49.0))
    });
    assert_eq!(faults(&sheet(vec![text(20.0), text(40.0)])).len(), 0);
    assert_eq!(faults(&sheet(vec![text(20.0), text(25.0)])).len(), 1);
    assert_eq!(faults(&sheet(vec![text(20.0), stroke])).len(), 1);
    assert_eq!(faults(&sheet(vec![text(20.0), on_its_head])).len(), 1);
    assert_eq!(faults(&sheet(vec![text(2.0)])).len(), 1);
}
