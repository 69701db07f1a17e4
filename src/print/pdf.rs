//! Writes a document as PDF (ISO 32000-1).

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::document::Document;
use super::sheet::{Area, Item, Line, LineKind, PointMm, Reading, Sheet, Text};
use super::typeface::{Face, MM_PER_PT, win_ansi};

const REGULAR: Name = Name(b"R");
const BOLD: Name = Name(b"B");

const CATALOG: Ref = Ref::new(1);
const PAGE_TREE: Ref = Ref::new(2);
const INFO: Ref = Ref::new(3);
const REGULAR_FONT: Ref = Ref::new(4);
const BOLD_FONT: Ref = Ref::new(5);
const FIRST_PAGE: i32 = 6;

impl Document {
    /// The PDF file: vectors only, in exact millimetres, with the viewer's own scaling off. The
    /// same document gives the same bytes.
    pub fn pdf(&self) -> Vec<u8> {
        write(self)
    }
}

fn write(document: &Document) -> Vec<u8> {
    let mut pdf = Pdf::new();
    write_catalog(&mut pdf);
    pdf.document_info(INFO)
        .title(TextStr(&document.title))
        .creator(TextStr("hingewise"));
    for (font, base) in [
        (REGULAR_FONT, &b"Helvetica"[..]),
        (BOLD_FONT, b"Helvetica-Bold"),
    ] {
        pdf.type1_font(font)
            .base_font(Name(base))
            .encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    let pages = (0_i32..).zip(&document.sheets).map(|(index, sheet)| {
        let page = FIRST_PAGE + 2 * index;
        (Ref::new(page), Ref::new(page + 1), sheet)
    });
    pdf.pages(PAGE_TREE)
        .kids(pages.clone().map(|(page, ..)| page))
        .count(document.sheets.len() as i32);
    for (page, content, sheet) in pages {
        write_page(&mut pdf, page, content, sheet);
        pdf.stream(content, &draw(sheet));
    }
    pdf.finish()
}

fn write_catalog(pdf: &mut Pdf) {
    let mut catalog = pdf.catalog(CATALOG);
    catalog.pages(PAGE_TREE);
    let mut preferences = catalog.viewer_preferences();
    preferences.display_doc_title(true);
    // ISO 32000-1, table 150: the print dialogue offers no page scaling.
    preferences.pair(Name(b"PrintScaling"), Name(b"None"));
}

fn write_page(pdf: &mut Pdf, page: Ref, content: Ref, sheet: &Sheet) {
    let points = |length_mm: f64| (length_mm / MM_PER_PT) as f32;
    let mut page = pdf.page(page);
    page.media_box(Rect::new(
        0.0,
        0.0,
        points(sheet.width_mm),
        points(sheet.height_mm),
    ));
    page.parent(PAGE_TREE);
    page.contents(content);
    let mut resources = page.resources();
    let mut fonts = resources.fonts();
    fonts.pair(REGULAR, REGULAR_FONT);
    fonts.pair(BOLD, BOLD_FONT);
    fonts.finish();
}

/// The sheet's content stream. After its first operator all numbers are millimetres from the
/// top-left corner, y down.
fn draw(sheet: &Sheet) -> Vec<u8> {
    let mut content = Content::new();
    content.transform(points_from_mm(sheet));
    for item in &sheet.items {
        match item {
            Item::Pattern(pattern) => fill_areas(&mut content, &pattern.black),
            Item::Bar(area) => fill_areas(&mut content, &[*area]),
            Item::Shape(points) => {
                trace(&mut content, points);
                content.close_path().fill_nonzero();
            }
            Item::Line(line) => stroke(&mut content, line),
            Item::Text(text) => show(&mut content, text),
        }
    }
    content.finish().into_vec()
}

/// Undoes the printer's scale about the middle of the page, turns y up and makes points of mm.
fn points_from_mm(sheet: &Sheet) -> [f32; 6] {
    let [per_mm_x, per_mm_y] = sheet.printer_scale.map(|scale| 1.0 / (scale * MM_PER_PT));
    let middle_x_pt = sheet.width_mm / 2.0 / MM_PER_PT;
    let middle_y_pt = sheet.height_mm / 2.0 / MM_PER_PT;
    [
        per_mm_x,
        0.0,
        0.0,
        -per_mm_y,
        middle_x_pt - per_mm_x * sheet.width_mm / 2.0,
        middle_y_pt + per_mm_y * sheet.height_mm / 2.0,
    ]
    .map(|number| number as f32)
}

/// Fills all areas as one path, so that no seam shows where two of them touch.
fn fill_areas(content: &mut Content, areas: &[Area]) {
    for area in areas {
        content.rect(
            area.left_mm as f32,
            area.top_mm as f32,
            area.width_mm as f32,
            area.height_mm as f32,
        );
    }
    content.fill_nonzero();
}

fn trace(content: &mut Content, points: &[PointMm]) {
    for (index, point) in points.iter().enumerate() {
        let (x, y) = (point.x as f32, point.y as f32);
        match index {
            0 => content.move_to(x, y),
            _ => content.line_to(x, y),
        };
    }
}

fn stroke(content: &mut Content, line: &Line) {
    let (width_mm, grey, dash_mm): (f32, f32, &[f32]) = match line.kind {
        LineKind::Cut => (0.2, 0.4, &[]),
        LineKind::Fold => (0.2, 0.2, &[1.2, 0.8]),
        LineKind::Drawing => (0.3, 0.0, &[]),
        LineKind::Pointer => (0.15, 0.4, &[]),
    };
    content
        .set_line_width(width_mm)
        .set_stroke_gray(grey)
        .set_dash_pattern(dash_mm.iter().copied(), 0.0);
    trace(content, &line.points);
    if line.points.first() == line.points.last() {
        content.close_path();
    }
    content.stroke();
}

fn show(content: &mut Content, text: &Text) {
    let font = match text.face {
        Face::Regular => REGULAR,
        Face::Bold => BOLD,
    };
    // Glyphs are drawn with y up, the sheet has y down.
    let [a, b, c, d] = match text.reading {
        Reading::Across => [1.0, 0.0, 0.0, -1.0],
        Reading::Upward => [0.0, -1.0, -1.0, 0.0],
        Reading::OnItsHead => [-1.0, 0.0, 0.0, 1.0],
    };
    let start = [text.start.x as f32, text.start.y as f32];
    content
        .begin_text()
        .set_font(font, (text.size_pt * MM_PER_PT) as f32)
        .set_text_matrix([a, b, c, d, start[0], start[1]])
        .show(Str(&win_ansi(&text.content)))
        .end_text();
}
