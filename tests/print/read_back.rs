//! Prints are read back from pictures at 600 dots an inch: ids, edges, bars, boards.

use std::path::{Path, PathBuf};

use hingewise::clip::GreyImage;
use hingewise::print::{
    Area, Document, Item, MeasuredBar, PageSetup, Pattern, TagMount, TagOrder, board, tags,
};
use hingewise::vision::{Dictionary, FoundMarker, MarkerFinder, SearchEffort};
use nalgebra::{Matrix3, Point2, Point3, Vector3};

use super::poppler::{Printed, Scan};
use super::samples;

/// Resolution at which lengths are measured.
const FINE_DPI: f64 = 600.0;

/// Resolution at which whole sheets are searched.
const COARSE_DPI: f64 = 150.0;

const EDGE_TOLERANCE_MM: f64 = 0.05;
const BAR_TOLERANCE_MM: f64 = 0.1;

#[test]
fn flat_tags_are_read_back_with_their_ids_and_edges() {
    let document = samples::flat_tags(&PageSetup::default());
    let expected = [
        (0, 30.0),
        (10, 20.0),
        (11, 20.0),
        (12, 8.0),
        (586, 6.0),
        (300, 60.0),
    ];
    assert_tags_read_back(&Printed::exactly(&document), &document, &expected);
}

#[test]
fn tags_on_brackets_are_read_back_with_their_ids_and_edges() {
    let document = samples::bracket_tags(&samples::LETTER);
    let expected = [(10, 20.0), (42, 6.0), (7, 12.5), (0, 30.0)];
    assert_tags_read_back(&Printed::exactly(&document), &document, &expected);
}

#[test]
fn a_printer_that_is_off_prints_right_once_its_bars_were_measured() {
    let setup = PageSetup {
        measured_bar: Some(MeasuredBar::new(96.8, 97.9).unwrap()),
        ..PageSetup::default()
    };
    let document = samples::flat_tags(&setup);
    let printed = Printed::by_printer(&document, [0.968, 0.979]);
    assert_tags_read_back(&printed, &document, &[(0, 30.0), (10, 20.0)]);
    assert_bars(&printed, &document);

    // A board on the same printer lies the other way round in it.
    let document = board(&samples::chessboard_across(), &setup).unwrap();
    assert_bars(&Printed::by_printer(&document, [0.979, 0.968]), &document);
}

#[test]
fn both_bars_measure_100_mm_on_every_sheet() {
    for setup in [PageSetup::default(), samples::LETTER] {
        for (_, document) in samples::all(&setup) {
            assert_bars(&Printed::exactly(&document), &document);
        }
    }
}

/// The official drawings of all tags, 24 to a row, each of 10 × 10 cells with one pixel between
/// (AprilRobotics/apriltag-imgs 2bc821ed, `tag36h11/mosaic.png`, BSD-2), and some of them alone.
#[test]
fn all_tags_look_like_the_published_drawings_and_decode_to_their_ids() {
    let published = published_tags();
    let orders: Vec<TagOrder> = (0..587).map(|id| TagOrder::unnamed(id, 6.0)).collect();
    let document = tags(&orders, TagMount::Flat, &PageSetup::default()).unwrap();
    let printed = Printed::exactly(&document);
    let mut next_id = 0;
    for sheet in 1..=document.sheets.len() {
        let scan = printed.scan_sheet(sheet, &document, COARSE_DPI);
        let drawn = patterns(&document, sheet);
        let ids = next_id..next_id + drawn.len() as u32;
        for (id, pattern) in ids.clone().zip(drawn) {
            assert_eq!(cells_of(&scan, pattern), published[id as usize], "tag {id}");
        }
        let decoded = found(&scan.image, Dictionary::APRILTAG_36H11);
        let decoded: Vec<u32> = decoded.iter().map(|marker| marker.id).collect();
        assert_eq!(decoded, ids.clone().collect::<Vec<_>>());
        next_id = ids.end;
    }
    assert_eq!(next_id, 587);
}

/// A picture of a board of these measures, rendered with known pose and camera, in the layout of
/// OpenCV 4.7 and later (own, `tests/data/board`).
#[test]
fn the_charuco_board_is_the_one_in_the_picture() {
    let document = board(&samples::charuco(24.0), &PageSetup::default()).unwrap();
    let printed = Printed::exactly(&document);
    let outline = patterns(&document, 1)[0].outline;
    let scan = printed.scan(1, &outline.grown(4.0), COARSE_DPI);
    let dictionary = Dictionary::named("DICT_5X5_100").unwrap();
    let on_paper = found(&scan.image, dictionary);
    let in_picture = found(&grey_picture("board/charuco_view.jpg"), dictionary);
    assert_eq!(on_paper.len(), 27);
    assert_eq!(
        in_picture
            .iter()
            .map(|marker| marker.id)
            .collect::<Vec<_>>(),
        (0..27).collect::<Vec<_>>()
    );
    let view = BoardView::read();
    for (paper, picture) in on_paper.iter().zip(&in_picture) {
        assert_eq!(paper.id, picture.id);
        for (on_paper_px, seen_px) in paper.corners_px.iter().zip(&picture.corners_px) {
            // Pixel centres are whole numbers; the cut-out begins 4 mm outside the board.
            let corner_mm = on_paper_px.map(|px| scan.mm(px + 0.5) - 4.0);
            let error_px = (view.image_of(corner_mm) - seen_px).norm();
            // A marker elsewhere or turned is off by dozens of pixels; the library finds corners
            // to about two.
            assert!(error_px < 3.0, "marker {}: {error_px} px", paper.id);
        }
    }
}

#[test]
fn board_squares_and_markers_measure_as_ordered() {
    let document = board(&samples::charuco(24.0), &PageSetup::default()).unwrap();
    let printed = Printed::exactly(&document);
    let outline = patterns(&document, 1)[0].outline;
    let second = Area::new(outline.left_mm + 24.0, outline.top_mm, 24.0, 24.0);
    let scan = printed.scan(1, &second, FINE_DPI);
    let dictionary = Dictionary::named("DICT_5X5_100").unwrap();
    let marker = &found(&scan.image, dictionary)[0];
    assert_eq!(marker.id, 0);
    assert_edges(&scan, marker, 18.0, 7);

    let document = board(&samples::chessboard(), &samples::LETTER).unwrap();
    let outline = patterns(&document, 1)[0].outline;
    let scan = Printed::exactly(&document).scan(1, &outline.grown(2.0), FINE_DPI);
    // The first row begins with a black square: 7 squares of 22 mm, 4 of them black.
    let first_row = crossings(&row_of(&scan.image, scan.image.height_px / 18));
    assert_eq!(first_row.len(), 8);
    for pair in first_row.windows(2) {
        let length_mm = scan.mm(pair[1] - pair[0]);
        assert!(
            (length_mm - 22.0).abs() < EDGE_TOLERANCE_MM,
            "{length_mm} mm"
        );
    }
    let first_column = crossings(&column_of(&scan.image, scan.image.width_px / 14));
    assert_eq!(first_column.len(), 10);
    let height_mm = scan.mm(first_column[9] - first_column[0]);
    assert!((height_mm - 9.0 * 22.0).abs() < EDGE_TOLERANCE_MM);
}

#[test]
fn station_cards_carry_the_ids_of_the_model_file() {
    use hingewise::print::CardsPerSheet;
    let document = samples::station_card_sheets(CardsPerSheet::Eight, &PageSetup::default());
    let printed = Printed::exactly(&document);
    let decoded: Vec<u32> = (1..=document.sheets.len())
        .flat_map(|sheet| {
            let scan = printed.scan_sheet(sheet, &document, COARSE_DPI);
            let markers = found(&scan.image, Dictionary::APRILTAG_36H11);
            markers.into_iter().map(|marker| marker.id)
        })
        .collect();
    // Every 25 % of stick, with the ids that the file format fixes: 120 + stick / 5.
    assert_eq!(decoded, [100, 105, 110, 115, 120, 125, 130, 135, 140]);
    let words = printed.words();
    for numeral in ["100", "75", "50", "25", "0"] {
        assert!(
            words
                .iter()
                .any(|(word, _)| word.trim_start_matches(['+', '–']) == numeral),
            "{numeral}"
        );
    }
}

#[test]
fn the_kit_holds_every_tag_and_card_of_the_model_file() {
    let (_, document) = samples::all(&PageSetup::default()).pop().unwrap();
    let printed = Printed::exactly(&document);
    let mut decoded: Vec<u32> = (1..=document.sheets.len())
        .flat_map(|sheet| {
            let scan = printed.scan_sheet(sheet, &document, COARSE_DPI);
            let markers = found(&scan.image, Dictionary::APRILTAG_36H11);
            markers.into_iter().map(|marker| marker.id)
        })
        .collect();
    decoded.sort_unstable();
    assert_eq!(
        decoded,
        [0, 10, 11, 12, 100, 105, 110, 115, 120, 125, 130, 135, 140]
    );
}

/// ISO 32000-1, table 150; sizes of ISO 216 and ANSI/ASME Y14.1 in points.
#[test]
fn viewers_are_told_not_to_scale_and_the_same_order_gives_the_same_bytes() {
    let file = samples::flat_tags(&samples::LETTER).pdf();
    let text = String::from_utf8_lossy(&file);
    assert!(text.contains("/PrintScaling /None"));
    assert!(text.contains("/MediaBox [0 0 612 792]"));
    assert_eq!(file, samples::flat_tags(&samples::LETTER).pdf());
    let a4 = samples::flat_tags(&PageSetup::default()).pdf();
    assert!(String::from_utf8_lossy(&a4).contains("/MediaBox [0 0 595.27"));
}

/// Each tag of the list, in order, among those on the sheets.
fn assert_tags_read_back(printed: &Printed, document: &Document, expected: &[(u32, f64)]) {
    let drawn = (1..=document.sheets.len()).flat_map(|sheet| {
        patterns(document, sheet)
            .into_iter()
            .map(move |it| (sheet, it))
    });
    for ((sheet, pattern), &(id, edge_mm)) in drawn.zip(expected) {
        let around = on_pdf_page(&pattern.outline.grown(1.2), document, sheet);
        let scan = printed.scan(sheet, &around, FINE_DPI);
        let markers = found(&scan.image, Dictionary::APRILTAG_36H11);
        assert_eq!(markers.len(), 1, "tag {id}: {markers:?}");
        assert_eq!(markers[0].id, id);
        assert_edges(&scan, &markers[0], edge_mm, 8);
        assert_upright(&markers[0]);
    }
}

/// Where an area of the sheet lies in the PDF's page, which is drawn against the printer's scale
/// about its middle.
fn on_pdf_page(area: &Area, document: &Document, sheet: usize) -> Area {
    let paper = &document.sheets[sheet - 1];
    let [x, y] = paper.printer_scale;
    let (middle_x, middle_y) = (paper.width_mm / 2.0, paper.height_mm / 2.0);
    Area::new(
        middle_x + (area.left_mm - middle_x) / x,
        middle_y + (area.top_mm - middle_y) / y,
        area.width_mm / x,
        area.height_mm / y,
    )
}

/// OpenCV's dictionary holds each 36h11 tag on its head: in an upright official drawing its first
/// corner is the one at the bottom right (all 587 published drawings compared).
fn assert_upright(marker: &FoundMarker) {
    let [first, _, third, _] = marker.corners_px;
    assert!(first.x > third.x && first.y > third.y, "{marker:?}");
}

/// The black square's width and height, through the middle of its border's cells.
fn assert_edges(scan: &Scan, marker: &FoundMarker, edge_mm: f64, cells: usize) {
    let corners = &marker.corners_px;
    let [left, top] = [0, 1].map(|axis| corners.iter().map(|c| c[axis]).fold(f64::MAX, f64::min));
    let [right, bottom] =
        [0, 1].map(|axis| corners.iter().map(|c| c[axis]).fold(f64::MIN, f64::max));
    let half_cell = (right - left) / (2.0 * cells as f64);
    for row in [top + half_cell, bottom - half_cell] {
        let ends = crossings(&row_of(&scan.image, row.round() as usize));
        assert_length(scan, &ends, edge_mm);
    }
    for column in [left + half_cell, right - half_cell] {
        let ends = crossings(&column_of(&scan.image, column.round() as usize));
        assert_length(scan, &ends, edge_mm);
    }
}

fn assert_length(scan: &Scan, ends_px: &[f64], expected_mm: f64) {
    assert_eq!(ends_px.len(), 2, "one black run expected: {ends_px:?}");
    let length_mm = scan.mm(ends_px[1] - ends_px[0]);
    assert!(
        (length_mm - expected_mm).abs() < EDGE_TOLERANCE_MM,
        "{length_mm} mm instead of {expected_mm} mm"
    );
}

/// Both bars of every sheet.
fn assert_bars(printed: &Printed, document: &Document) {
    for (index, sheet) in document.sheets.iter().enumerate() {
        let bars = sheet.items.iter().filter_map(|item| match item {
            Item::Bar(area) => Some(area),
            _ => None,
        });
        let mut lying = Vec::new();
        for bar in bars {
            let around = on_pdf_page(&bar.grown(0.8), document, index + 1);
            let scan = printed.scan(index + 1, &around, FINE_DPI);
            let image = &scan.image;
            let is_lying = image.width_px > image.height_px;
            let ends = match is_lying {
                true => crossings(&row_of(image, image.height_px / 2)),
                false => crossings(&column_of(image, image.width_px / 2)),
            };
            assert_eq!(ends.len(), 2);
            let length_mm = scan.mm(ends[1] - ends[0]);
            assert!(
                (length_mm - 100.0).abs() < BAR_TOLERANCE_MM,
                "bar of {length_mm} mm on sheet {}",
                index + 1
            );
            lying.push(is_lying);
        }
        lying.sort_unstable();
        assert_eq!(lying, [false, true]);
    }
}

fn row_of(image: &GreyImage, row: usize) -> Vec<u8> {
    image.pixels[row * image.width_px..(row + 1) * image.width_px].to_vec()
}

fn column_of(image: &GreyImage, column: usize) -> Vec<u8> {
    let pixels = image.pixels.iter().skip(column);
    pixels.step_by(image.width_px).copied().collect()
}

/// Where a line of pixels passes from white to black or back: on the grey pixel at an edge its
/// value tells how much of it is covered.
fn crossings(values: &[u8]) -> Vec<f64> {
    const HALF: f64 = 127.5;
    let pairs = values.windows(2).enumerate();
    pairs
        .filter_map(|(index, pair)| {
            let (before, after) = (f64::from(pair[0]) - HALF, f64::from(pair[1]) - HALF);
            (before * after < 0.0).then(|| index as f64 + before / (before - after))
        })
        .collect()
}

fn patterns(document: &Document, sheet: usize) -> Vec<&Pattern> {
    let items = &document.sheets[sheet - 1].items;
    items
        .iter()
        .filter_map(|item| match item {
            Item::Pattern(pattern) => Some(pattern),
            _ => None,
        })
        .collect()
}

/// All markers, by id. The library reports some a second time, by the inner side of their border or
/// by another threshold: the largest about each centre is kept.
fn found(image: &GreyImage, dictionary: Dictionary) -> Vec<FoundMarker> {
    let centre = |marker: &FoundMarker| {
        let [a, _, c, _] = marker.corners_px;
        nalgebra::center(&a, &c)
    };
    let edge_px =
        |marker: &FoundMarker| nalgebra::distance(&marker.corners_px[0], &marker.corners_px[1]);
    let mut finder = MarkerFinder::new(dictionary, SearchEffort::Thorough).unwrap();
    let mut markers = finder.find(image).unwrap().markers;
    markers.sort_by(|a, b| (a.id.cmp(&b.id)).then(edge_px(b).total_cmp(&edge_px(a))));
    markers.dedup_by(|next, kept| {
        let apart_px = nalgebra::distance(&centre(kept), &centre(next));
        next.id == kept.id && 4.0 * apart_px < edge_px(kept)
    });
    markers
}

/// Black and white of the 10 × 10 cells of a tag with its white margin, sampled in the middles.
fn cells_of(scan: &Scan, pattern: &Pattern) -> Vec<bool> {
    let cell_mm = pattern.outline.width_mm / 8.0;
    let px = |length_mm: f64| (length_mm / 25.4 * scan.dots_per_inch) as usize;
    (0..100)
        .map(|cell| {
            let [row, column] = [cell / 10, cell % 10].map(|index| f64::from(index) - 0.5);
            let x = px(pattern.outline.left_mm + column * cell_mm);
            let y = px(pattern.outline.top_mm + row * cell_mm);
            scan.image.pixels[y * scan.image.width_px + x] > 127
        })
        .collect()
}

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(name)
}

fn grey_picture(name: &str) -> GreyImage {
    let picture = image::open(data(name)).unwrap().to_luma8();
    GreyImage {
        width_px: picture.width() as usize,
        height_px: picture.height() as usize,
        pixels: picture.into_raw().into(),
    }
}

/// The cells of all published tags by id.
fn published_tags() -> Vec<Vec<bool>> {
    const COLUMNS: usize = 24;
    const PITCH: usize = 11;
    let mosaic = grey_picture("tags/mosaic.png");
    let tags: Vec<Vec<bool>> = (0..587)
        .map(|id| {
            let (left, top) = (id % COLUMNS * PITCH, id / COLUMNS * PITCH);
            (0..100)
                .map(|cell| {
                    let (x, y) = (left + cell % 10, top + cell / 10);
                    mosaic.pixels[y * mosaic.width_px + x] > 127
                })
                .collect()
        })
        .collect();
    for id in [0, 1, 2, 3, 5, 7, 10, 23, 42, 100, 255, 300, 400, 500, 586] {
        let alone = grey_picture(&format!("tags/tag36_11_{id:05}.png"));
        let cells: Vec<bool> = alone.pixels.iter().map(|&value| value > 127).collect();
        assert_eq!(tags[id], cells, "the mosaic is read wrongly at {id}");
    }
    tags
}

/// True pose and camera of the picture of a board.
struct BoardView {
    camera_from_board: Matrix3<f64>,
    board_in_camera_mm: Vector3<f64>,
    intrinsics: [f64; 4],
    distortion: [f64; 5],
}

impl BoardView {
    fn read() -> Self {
        let text = std::fs::read_to_string(data("board/charuco_view.json")).unwrap();
        let file: serde_json::Value = serde_json::from_str(&text).unwrap();
        let numbers = |value: &serde_json::Value| -> Vec<f64> {
            let list = value.as_array().unwrap();
            list.iter().map(|number| number.as_f64().unwrap()).collect()
        };
        let (pose, camera) = (&file["true_board_pose"], &file["true_camera"]);
        let rows: Vec<f64> = (0..3).flat_map(|row| numbers(&pose["R"][row])).collect();
        Self {
            camera_from_board: Matrix3::from_row_slice(&rows),
            board_in_camera_mm: Vector3::from_row_slice(&numbers(&pose["t"])),
            intrinsics: ["fx", "fy", "cx", "cy"].map(|name| camera[name].as_f64().unwrap()),
            distortion: numbers(&camera["dist"]).try_into().unwrap(),
        }
    }

    /// Pinhole camera with Brown–Conrady distortion, after OpenCV's documentation of `calib3d`.
    fn image_of(&self, corner_in_board_mm: Point2<f64>) -> Point2<f64> {
        let on_board = Vector3::new(corner_in_board_mm.x, corner_in_board_mm.y, 0.0);
        let point = Point3::from(self.camera_from_board * on_board + self.board_in_camera_mm);
        let (x, y) = (point.x / point.z, point.y / point.z);
        let [k1, k2, p1, p2, k3] = self.distortion;
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        let [fx, fy, cx, cy] = self.intrinsics;
        Point2::new(
            fx * (x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)) + cx,
            fy * (y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y) + cy,
        )
    }
}
