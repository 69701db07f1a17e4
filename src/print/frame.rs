//! The frame of every sheet: its heading, the two bars, and what to do if they measure wrong.

use nalgebra::{Point2, Vector2};

use super::paper::{BAR_MM, Orientation, PageSetup};
use super::sheet::{Area, Item, PointMm, Reading, Sheet, Text};
use super::typeface::{Face, figure, shortened, wrapped};

/// Nothing is laid out nearer to the edge of the paper; common printers reach to about 5 mm
/// (common practice, no source).
const MARGIN_MM: f64 = 8.0;

const TITLE_PT: f64 = 14.0;
const TITLE_HEIGHT_MM: f64 = 8.0;
const NUMBER_PT: f64 = 8.0;
/// Room for "sheet 10 of 10".
const NUMBER_WIDTH_MM: f64 = 24.0;

const LINE_PT: f64 = 9.0;
const LINE_LEADING_MM: f64 = 4.2;
/// Space below the last line of the heading.
const HEADING_GAP_MM: f64 = 3.0;

const BAR_THICKNESS_MM: f64 = 1.2;
const SMALL_PT: f64 = 7.0;
const SMALL_LEADING_MM: f64 = 2.9;
/// Room at the left for the upright bar and its label.
const LEFT_COLUMN_MM: f64 = 7.0;
/// Room at the bottom for the lying bar, its label and the note beside them.
const FOOTER_HEIGHT_MM: f64 = 14.0;
/// Between the lying bar and the note.
const NOTE_GAP_MM: f64 = 4.0;

/// Text at the top of a sheet.
pub(super) struct Heading {
    /// Title of the sheet.
    pub title: String,
    /// Instructions, one paragraph each.
    pub lines: Vec<String>,
    /// A warning below the lines.
    pub caution: Option<String>,
    /// Width and height of the room to leave at the right, beside the lines.
    pub aside_mm: Option<[f64; 2]>,
}

/// A sheet with its frame drawn, and the room left inside.
#[derive(Clone)]
pub(super) struct Page {
    /// The sheet so far.
    pub sheet: Sheet,
    /// Where its content goes.
    pub room: Area,
    /// The room left beside the heading's lines.
    pub aside: Area,
    /// Where the sheet's number ends.
    number_end: PointMm,
}

impl Page {
    /// Draws heading, bars and note.
    pub fn new(setup: &PageSetup, orientation: Orientation, heading: &Heading) -> Self {
        let [width_mm, height_mm] = setup.size_mm(orientation);
        let usable = usable(setup, orientation);
        let (header_bottom_mm, aside, header) = draw_heading(&usable, heading);
        let mut items = header;
        items.extend(draw_bars(&usable, orientation));
        items.extend(draw_note(&usable, setup));
        let room_left_mm = usable.left_mm + LEFT_COLUMN_MM;
        Self {
            sheet: Sheet {
                width_mm,
                height_mm,
                printer_scale: setup.printer_scale(orientation),
                items,
            },
            room: Area::new(
                room_left_mm,
                header_bottom_mm,
                usable.right_mm() - room_left_mm,
                usable.bottom_mm() - FOOTER_HEIGHT_MM - header_bottom_mm,
            ),
            aside,
            number_end: Point2::new(usable.right_mm(), usable.top_mm + 4.5),
        }
    }

    /// Puts items on the sheet that were laid out from a corner of their own.
    pub fn place(&mut self, items: Vec<Item>, corner: PointMm) {
        let by_mm = Vector2::new(corner.x, corner.y);
        self.sheet
            .items
            .extend(items.into_iter().map(|item| item.moved(by_mm)));
    }

    /// Writes the sheet's number and hands the sheet on.
    pub fn numbered(mut self, number: usize, of: usize) -> Sheet {
        let mut text = Text::across(
            format!("sheet {number} of {of}"),
            Face::Regular,
            NUMBER_PT,
            self.number_end,
        );
        text.start.x -= text.width_mm();
        self.sheet.items.push(Item::Text(text));
        self.sheet
    }
}

/// The part of the paper that both the printer and the PDF page reach: a printer that shrinks the
/// page leaves more paper blank.
fn usable(setup: &PageSetup, orientation: Orientation) -> Area {
    let [width_mm, height_mm] = setup.size_mm(orientation);
    let [scale_x, scale_y] = setup.printer_scale(orientation);
    let inset = |side_mm: f64, scale: f64| MARGIN_MM + (1.0 - scale).max(0.0) * side_mm / 2.0;
    let (left_mm, top_mm) = (inset(width_mm, scale_x), inset(height_mm, scale_y));
    Area::new(
        left_mm,
        top_mm,
        width_mm - 2.0 * left_mm,
        height_mm - 2.0 * top_mm,
    )
}

/// The heading's items, the room beside its lines, and where it ends.
fn draw_heading(usable: &Area, heading: &Heading) -> (f64, Area, Vec<Item>) {
    let title = shortened(
        &heading.title,
        Face::Bold,
        TITLE_PT,
        usable.width_mm - NUMBER_WIDTH_MM,
    );
    let title_start = Point2::new(usable.left_mm, usable.top_mm + 4.5);
    let mut items = vec![Item::Text(Text::across(
        title,
        Face::Bold,
        TITLE_PT,
        title_start,
    ))];
    let [aside_width_mm, aside_height_mm] = heading.aside_mm.unwrap_or_default();
    let lines_top_mm = usable.top_mm + TITLE_HEIGHT_MM;
    let lines_width_mm = usable.width_mm - aside_width_mm;
    let mut bottom_mm = lines_top_mm;
    let lines = heading.lines.iter().map(|line| (line, Face::Regular));
    let caution = heading.caution.iter().map(|line| (line, Face::Bold));
    for (paragraph, face) in lines.chain(caution) {
        for line in wrapped(paragraph, face, LINE_PT, lines_width_mm) {
            bottom_mm += LINE_LEADING_MM;
            let start = Point2::new(usable.left_mm, bottom_mm - 1.0);
            items.push(Item::Text(Text::across(line, face, LINE_PT, start)));
        }
    }
    let aside = Area::new(
        usable.right_mm() - aside_width_mm,
        lines_top_mm,
        aside_width_mm,
        aside_height_mm,
    );
    let header_bottom_mm = bottom_mm.max(aside.bottom_mm()) + HEADING_GAP_MM;
    (header_bottom_mm, aside, items)
}

/// A bar along each side of the paper, with its label.
fn draw_bars(usable: &Area, orientation: Orientation) -> Vec<Item> {
    let [across, down] = match orientation {
        Orientation::Portrait => ["short", "long"],
        Orientation::Landscape => ["long", "short"],
    };
    let label = |side: &str| format!("{BAR_MM:.0} mm along the {side} side of the paper");
    let lying = Area::new(
        usable.left_mm + LEFT_COLUMN_MM,
        usable.bottom_mm() - BAR_THICKNESS_MM,
        BAR_MM,
        BAR_THICKNESS_MM,
    );
    let upright = Area::new(
        usable.left_mm,
        usable.bottom_mm() - FOOTER_HEIGHT_MM - BAR_MM,
        BAR_THICKNESS_MM,
        BAR_MM,
    );
    let lying_label = Text::across(
        label(across),
        Face::Regular,
        SMALL_PT,
        Point2::new(lying.left_mm, lying.top_mm - 1.2),
    );
    let upright_label = Text {
        reading: Reading::Upward,
        ..Text::across(
            label(down),
            Face::Regular,
            SMALL_PT,
            Point2::new(upright.right_mm() + 3.0, upright.bottom_mm()),
        )
    };
    vec![
        Item::Bar(lying),
        Item::Bar(upright),
        Item::Text(lying_label),
        Item::Text(upright_label),
    ]
}

/// How to use the bars, beside the lying one.
fn draw_note(usable: &Area, setup: &PageSetup) -> Vec<Item> {
    let left_mm = usable.left_mm + LEFT_COLUMN_MM + BAR_MM + NOTE_GAP_MM;
    let advice = match setup.measured_bar {
        None => "Print at 100 %. Measure both black bars end to end: each must be 100.0\u{a0}mm. If not, \
                 print again with --measured-bar-mm SHORT,LONG: the lengths you measured."
            .to_owned(),
        Some(bar) => format!(
            "Corrected for a printer that made {} mm (short side) and {} mm (long side) of 100 mm: \
             print it the same way as then. Both bars must now be 100.0 mm.",
            figure(bar.short_side_mm),
            figure(bar.long_side_mm)
        ),
    };
    let lines = wrapped(
        &advice,
        Face::Regular,
        SMALL_PT,
        usable.right_mm() - left_mm,
    );
    let first_mm = usable.bottom_mm() - (lines.len() as f64 - 1.0) * SMALL_LEADING_MM - 0.6;
    lines
        .into_iter()
        .enumerate()
        .map(|(row, line)| {
            let base_mm = first_mm + row as f64 * SMALL_LEADING_MM;
            let start = Point2::new(left_mm, base_mm);
            Item::Text(Text::across(line, Face::Regular, SMALL_PT, start))
        })
        .collect()
}
