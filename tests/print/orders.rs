//! Orders that cannot be printed are refused with the figure and the mend; brackets close.

use hingewise::camera::calibration::{Board, Charuco, Chessboard};
use hingewise::model_file::{ModelFile, StationSource};
use hingewise::print::{
    Bracket, CardsPerSheet, DEFAULT_LEAN_DEG, Document, Item, LineKind, MeasuredBar, PageSetup,
    PrintError, Sheet, TagMount, TagOrder, board, kit, station_cards, tags,
};
use hingewise::vision::Dictionary;

use super::samples;

const ON_A_BRACKET: TagMount = TagMount::Bracket {
    lean_deg: DEFAULT_LEAN_DEG,
};

fn refused(order: Result<Document, PrintError>) -> String {
    let error = order.unwrap_err();
    format!("{error}; {}", error.mend())
}

fn one_tag(id: u32, edge_mm: f64, mount: TagMount) -> Result<Document, PrintError> {
    let order = [TagOrder::unnamed(id, edge_mm)];
    tags(&order, mount, &PageSetup::default())
}

#[test]
fn tags_outside_the_family_or_the_paper_are_refused() {
    // The family holds 587 tags (AprilRobotics/apriltag-imgs, tag36h11).
    assert!(refused(one_tag(587, 20.0, TagMount::Flat)).contains("0 to 586"));
    for edge_mm in [5.9, 0.0, -20.0, f64::NAN, f64::INFINITY] {
        for mount in [TagMount::Flat, ON_A_BRACKET] {
            let message = refused(one_tag(1, edge_mm, mount));
            assert!(message.contains("the smallest is 6 mm"), "{message}");
        }
    }
    assert!(matches!(
        tags(&[], TagMount::Flat, &PageSetup::default()),
        Err(PrintError::NoTags)
    ));
    for lean_deg in [-1.0, 61.0, f64::NAN] {
        let order = one_tag(1, 20.0, TagMount::Bracket { lean_deg });
        assert!(matches!(order, Err(PrintError::LeanOutOfRange { .. })));
    }
}

#[test]
fn the_largest_tag_that_an_error_names_can_be_printed() {
    for mount in [TagMount::Flat, ON_A_BRACKET] {
        let Err(PrintError::TagTooLarge { largest_mm, .. }) = one_tag(1, 400.0, mount) else {
            panic!("a tag of 400 mm was laid out");
        };
        assert!(one_tag(1, largest_mm, mount).is_ok());
        assert!(one_tag(1, largest_mm + 1.0, mount).is_err());
    }
}

#[test]
fn boards_that_cannot_be_printed_are_refused() {
    let setup = PageSetup::default();
    let charuco = |columns, rows, square_mm, marker_mm, name| {
        Board::Charuco(Charuco {
            columns,
            rows,
            square_mm,
            marker_mm,
            dictionary: Dictionary::named(name).unwrap(),
        })
    };
    let Err(PrintError::BoardTooLarge {
        largest_square_mm, ..
    }) = board(&charuco(9, 6, 40.0, 30.0, "DICT_5X5_100"), &setup)
    else {
        panic!("a board of 360 mm was laid out");
    };
    let largest = charuco(9, 6, largest_square_mm, 18.0, "DICT_5X5_100");
    assert!(board(&largest, &setup).is_ok());
    for (order, says) in [
        (charuco(3, 6, 24.0, 18.0, "DICT_5X5_100"), "3 × 6"),
        (charuco(9, 6, 24.0, 24.0, "DICT_5X5_100"), "--marker-mm"),
        (charuco(9, 6, f64::NAN, 18.0, "DICT_5X5_100"), "NaN"),
        (charuco(9, 6, 24.0, f64::NAN, "DICT_5X5_100"), "NaN"),
        (
            charuco(usize::MAX, usize::MAX, 8.0, 6.0, "DICT_5X5_100"),
            "has only 100",
        ),
        (charuco(12, 9, 15.0, 11.0, "DICT_5X5_50"), "54 markers"),
        (
            Board::Chessboard(Chessboard {
                columns: usize::MAX,
                rows: 6,
                square_mm: 20.0,
            }),
            "does not fit",
        ),
    ] {
        let message = refused(board(&order, &setup));
        assert!(message.contains(says), "{message}");
    }
}

#[test]
fn a_model_without_cards_has_none_to_print_but_still_a_kit() {
    let mut model: ModelFile = samples::model();
    let Err(PrintError::StationUnknown { stick_pct }) = station_cards(&model, &[0.0, 33.0]) else {
        panic!("a card for 33 % was found");
    };
    assert_eq!(stick_pct, 33.0);
    model.stations.source = StationSource::Order(vec![0.0, 100.0, 0.0]);
    assert!(matches!(
        station_cards(&model, &[]),
        Err(PrintError::NoStations)
    ));
    let setup = PageSetup::default();
    let kit = kit(&model, DEFAULT_LEAN_DEG, CardsPerSheet::Four, &setup).unwrap();
    let words = |sheet: &Sheet| -> String {
        let texts = sheet.items.iter().filter_map(|item| match item {
            Item::Text(text) => Some(text.content.as_str()),
            _ => None,
        });
        texts.collect::<Vec<_>>().join(" ")
    };
    // How to choose tags, what goes where, brackets, and the board.
    let [choosing, list, brackets, board] = kit.sheets.as_slice() else {
        panic!("{} sheets", kit.sheets.len());
    };
    assert!(words(choosing).contains("This kit holds tags of 8, 20, 30 mm"));
    assert!(words(list).contains("in this order: 0, +100, 0 %"));
    assert!(words(brackets).contains("tab: glue to surface"));
    assert!(!words(brackets).contains("flap"));
    assert!(words(board).contains("--chessboard 9x6 --square-mm 20"));
    assert!(CardsPerSheet::try_from(3).is_err());
}

#[test]
fn tag_orders_and_measured_bars_are_read_as_people_write_them() {
    let ids = |text| -> Vec<(u32, f64)> {
        let orders = TagOrder::parse(text, 20.0).unwrap();
        orders.iter().map(|it| (it.id, it.edge_mm)).collect()
    };
    assert_eq!(ids("10"), [(10, 20.0)]);
    assert_eq!(ids("0:30"), [(0, 30.0)]);
    assert_eq!(ids("4-6:8.5"), [(4, 8.5), (5, 8.5), (6, 8.5)]);
    for text in ["", "ten", "6-4", "1:", "1:x", "-3", "1-2-3"] {
        assert!(TagOrder::parse(text, 20.0).is_err(), "{text}");
    }
    let bar = |text: &str| text.parse::<MeasuredBar>();
    assert_eq!(bar("98.7").unwrap(), MeasuredBar::new(98.7, 98.7).unwrap());
    assert_eq!(
        bar("98.7, 99.1").unwrap(),
        MeasuredBar::new(98.7, 99.1).unwrap()
    );
    for text in ["", "x", "1,2,3", "50", "NaN", "98,7,1"] {
        assert!(bar(text).is_err(), "{text}");
    }
    // 20 mm on a printer that makes 98 mm and 99 mm of 100 mm.
    let printed_mm = MeasuredBar::new(98.0, 99.0).unwrap().printed_edge_mm(20.0);
    assert!((printed_mm - 19.7).abs() < 1e-12);
}

/// Plane geometry: the tab from T to H, the tag from T to A, the prop closes the triangle.
#[test]
fn the_bracket_closes_at_the_ordered_lean() {
    for (edge_mm, lean_deg) in [(6.0, 0.0), (8.0, 30.0), (20.0, 30.0), (30.0, 45.0)] {
        let bracket = Bracket::for_tag(edge_mm, lean_deg).unwrap();
        let (sine, cosine) = f64::to_radians(lean_deg).sin_cos();
        let (top_x, top_y) = (-bracket.panel_mm * sine, bracket.panel_mm * cosine);
        let prop_mm = (top_x + bracket.tab_mm).hypot(top_y);
        assert!((prop_mm - bracket.prop_mm).abs() < 1e-9);
        assert!(bracket.foot_mm < bracket.tab_mm);
    }
    // By hand: panel 9 mm, tab 8 mm, a right angle between them.
    let smallest = Bracket::for_tag(6.0, 0.0).unwrap();
    assert!((smallest.prop_mm - 145.0_f64.sqrt()).abs() < 1e-12);
}

#[test]
fn folds_are_drawn_at_the_measures_of_the_bracket() {
    let bracket = Bracket::for_tag(20.0, DEFAULT_LEAN_DEG).unwrap();
    let document = one_tag(10, 20.0, ON_A_BRACKET).unwrap();
    let level = |kind| {
        let mut levels: Vec<f64> = document.sheets[0]
            .items
            .iter()
            .filter_map(|item| match item {
                Item::Line(line) if line.kind == kind => Some(&line.points),
                _ => None,
            })
            .flatten()
            .map(|point| point.y)
            .collect();
        levels.sort_by(f64::total_cmp);
        levels.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
        levels
    };
    let ends = level(LineKind::Cut);
    let folds = level(LineKind::Fold);
    // The two upper fold levels belong to the sketch's upright.
    let [prop_top, panel_top, trailing_edge] = folds[folds.len() - 3..] else {
        panic!("{folds:?}");
    };
    for (drawn_mm, ordered_mm) in [
        (prop_top - ends[0], bracket.foot_mm),
        (panel_top - prop_top, bracket.prop_mm),
        (trailing_edge - panel_top, bracket.panel_mm),
        (ends[ends.len() - 1] - trailing_edge, bracket.tab_mm),
    ] {
        assert!((drawn_mm - ordered_mm).abs() < 1e-9);
    }
}
