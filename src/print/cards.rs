//! Station cards: tags that show the camera the stick position.

use std::collections::BTreeMap;

use nalgebra::{Point2, Vector2};

use super::bracket::up_arrow;
use super::document::Document;
use super::error::PrintError;
use super::flow::{Block, GAP_MM, flow};
use super::frame::{Heading, Page};
use super::paper::{Orientation, PageSetup};
use super::pattern::{tag, white_margin_mm};
use super::sheet::{Area, Item, Line, LineKind, PointMm, Text};
use super::typeface::{CAP_HEIGHT_EM, Face, MM_PER_PT, figure, text_width_mm};
use crate::model_file::ModelFile;
use crate::stick;

/// A printed tag that shows the station to the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StationCard {
    /// Id of its tag.
    pub tag_id: u32,
    /// Stick position.
    pub stick_pct: f64,
}

/// How many cards share a sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CardsPerSheet {
    /// For a camera far away.
    One,
    /// Half a sheet each.
    Two,
    /// A quarter of a sheet each.
    #[default]
    Four,
    /// An eighth of a sheet each.
    Eight,
}

impl CardsPerSheet {
    /// Columns and rows of cards.
    fn grid(self) -> [u32; 2] {
        match self {
            Self::One => [1, 1],
            Self::Two => [1, 2],
            Self::Four => [2, 2],
            Self::Eight => [2, 4],
        }
    }
}

impl TryFrom<u32> for CardsPerSheet {
    type Error = PrintError;

    fn try_from(count: u32) -> Result<Self, PrintError> {
        match count {
            1 => Ok(Self::One),
            2 => Ok(Self::Two),
            4 => Ok(Self::Four),
            8 => Ok(Self::Eight),
            _ => Err(PrintError::CardsPerSheet { count }),
        }
    }
}

/// A model file may give a card to every step of the stick; more than these are not printed
/// unless they are named.
const MOST_UNNAMED_CARDS: usize = 21;

/// The stations printed of such a file: every so many percent.
const USUAL_STEP_PCT: f64 = 25.0;

/// The cards of a model file, by rising stick position.
///
/// `wanted_pct` names stations. Left empty, all cards of the file are meant; of a file that has a
/// card for nearly every stick position, those at the points of the radio's curve, or every 25 %.
pub fn station_cards(
    model: &ModelFile,
    wanted_pct: &[f64],
) -> Result<Vec<StationCard>, PrintError> {
    let by_id = &model.cards();
    let mut cards = match wanted_pct {
        [] => unnamed_cards(model, by_id),
        wanted => wanted
            .iter()
            .map(|&stick_pct| {
                card_at(by_id, stick_pct).ok_or(PrintError::StationUnknown { stick_pct })
            })
            .collect::<Result<_, _>>()?,
    };
    if cards.is_empty() {
        return Err(PrintError::NoStations);
    }
    cards.sort_by(|a, b| a.stick_pct.total_cmp(&b.stick_pct));
    Ok(cards)
}

fn unnamed_cards(model: &ModelFile, by_id: &BTreeMap<u32, f64>) -> Vec<StationCard> {
    let curve_points = model
        .radio
        .as_ref()
        .and_then(|radio| radio.curve_points_pct.as_ref());
    by_id
        .iter()
        .filter(|(_, stick_pct)| match curve_points {
            _ if by_id.len() <= MOST_UNNAMED_CARDS => true,
            Some(points) => points
                .iter()
                .any(|&point| stick::is_same(point, **stick_pct)),
            None => stick::is_same(**stick_pct % USUAL_STEP_PCT, 0.0),
        })
        .map(|(&tag_id, &stick_pct)| StationCard { tag_id, stick_pct })
        .collect()
}

fn card_at(by_id: &BTreeMap<u32, f64>, wanted_pct: f64) -> Option<StationCard> {
    by_id
        .iter()
        .find(|(_, stick_pct)| stick::is_same(**stick_pct, wanted_pct))
        .map(|(&tag_id, &stick_pct)| StationCard { tag_id, stick_pct })
}

/// Sheets of station cards in the order given.
pub fn cards(
    cards: &[StationCard],
    per_sheet: CardsPerSheet,
    setup: &PageSetup,
) -> Result<Document, PrintError> {
    Ok(Document::bound(
        "Station cards",
        pages(cards, per_sheet, setup)?,
    ))
}

pub(super) fn pages(
    cards: &[StationCard],
    per_sheet: CardsPerSheet,
    setup: &PageSetup,
) -> Result<Vec<Page>, PrintError> {
    if cards.is_empty() {
        return Err(PrintError::NoStations);
    }
    let heading = Heading {
        title: "Station cards".into(),
        lines: vec![
            "Cut along the grey lines. While the stick rests at a station, hold that card up beside \
             the aircraft, upright and whole in the picture, for two seconds; show no other card. \
             The white margin around the black square must stay and must not be covered by a finger."
                .into(),
        ],
        caution: None,
        aside_mm: None,
    };
    let empty = Page::new(setup, Orientation::Portrait, &heading);
    let [columns, rows] = per_sheet.grid();
    let share =
        |room_mm: f64, parts: u32| (room_mm - f64::from(parts - 1) * GAP_MM) / f64::from(parts);
    let size_mm = [
        share(empty.room.width_mm, columns),
        share(empty.room.height_mm, rows),
    ];
    let blocks = cards
        .iter()
        .map(|card| draw(card, size_mm))
        .collect::<Result<_, _>>()?;
    Ok(flow(blocks, &empty))
}

/// Between the parts of a card.
const CARD_PADDING_MM: f64 = 4.0;
/// The part of the card's longer side that the tag may take; the numerals take the rest.
const TAG_SHARE: f64 = 0.58;
/// The black square against the tag with its white margin of one cell on either side.
const EDGE_PER_TAG: f64 = 8.0 / 10.0;
const CAPTION_PT: f64 = 8.0;
const CAPTION_HEIGHT_MM: f64 = 5.0;

/// Where the parts of a card go.
struct Arrangement {
    edge_mm: f64,
    tag_corner: PointMm,
    numerals: Area,
}

/// The tag above or left of the numerals, as the card's shape has room.
fn arrange(inner: Area) -> Arrangement {
    let upright = inner.height_mm > inner.width_mm;
    let tag_room_mm = match upright {
        true => inner.width_mm.min(inner.height_mm * TAG_SHARE),
        false => inner.height_mm.min(inner.width_mm * TAG_SHARE),
    };
    let edge_mm = (tag_room_mm * EDGE_PER_TAG).floor();
    let margin_mm = white_margin_mm(edge_mm);
    let outer_mm = edge_mm + 2.0 * margin_mm;
    let (tag_left_mm, numerals) = match upright {
        true => (
            inner.left_mm + (inner.width_mm - outer_mm) / 2.0,
            Area::new(
                inner.left_mm,
                inner.top_mm + outer_mm,
                inner.width_mm,
                inner.height_mm - outer_mm,
            ),
        ),
        false => (
            inner.left_mm,
            Area::new(
                inner.left_mm + outer_mm + CARD_PADDING_MM,
                inner.top_mm,
                inner.width_mm - outer_mm - CARD_PADDING_MM,
                inner.height_mm,
            ),
        ),
    };
    Arrangement {
        edge_mm,
        tag_corner: Point2::new(tag_left_mm + margin_mm, inner.top_mm + margin_mm),
        numerals,
    }
}

fn draw(card: &StationCard, [width_mm, height_mm]: [f64; 2]) -> Result<Block, PrintError> {
    let arrangement = arrange(Area::new(
        CARD_PADDING_MM,
        CARD_PADDING_MM,
        width_mm - 2.0 * CARD_PADDING_MM,
        height_mm - 2.0 * CARD_PADDING_MM - CAPTION_HEIGHT_MM,
    ));
    let station = stick(card);
    let caption = format!("stick at {station}; station card, tag {}", card.tag_id);
    let caption_start = Point2::new(CARD_PADDING_MM + 3.0, height_mm - CARD_PADDING_MM + 0.5);
    let mut items = numerals_in(&arrangement.numerals, &station);
    items.extend([
        Item::Line(Line {
            points: Area::new(0.0, 0.0, width_mm, height_mm).outline(),
            kind: LineKind::Cut,
        }),
        Item::Pattern(tag(
            card.tag_id,
            arrangement.edge_mm,
            arrangement.tag_corner,
        )?),
        up_arrow(caption_start + Vector2::new(-1.6, -2.0)),
        Item::Text(Text::across(
            caption,
            Face::Regular,
            CAPTION_PT,
            caption_start,
        )),
    ]);
    Ok(Block {
        width_mm,
        height_mm,
        items,
    })
}

/// Distance of the sign from the figures; an en dash alone would touch them.
const SIGN_GAP_EM: f64 = 0.06;

/// The station as large as the area holds, in its middle.
fn numerals_in(area: &Area, content: &str) -> Vec<Item> {
    let figures_start = content.find(|letter: char| letter.is_ascii_digit());
    let (sign, figures) = content.split_at(figures_start.unwrap_or_default());
    let gap_em = if sign.is_empty() { 0.0 } else { SIGN_GAP_EM };
    let width_at_one_pt_mm = text_width_mm(content, Face::Bold, 1.0) + gap_em * MM_PER_PT;
    let size_pt = (area.width_mm / width_at_one_pt_mm).min(area.height_mm / MM_PER_PT * 0.8);
    let em_mm = size_pt * MM_PER_PT;
    let sign_start = area.centre()
        + Vector2::new(
            -width_at_one_pt_mm * size_pt / 2.0,
            CAP_HEIGHT_EM * em_mm / 2.0,
        );
    let sign_mm = text_width_mm(sign, Face::Bold, size_pt) + gap_em * em_mm;
    let figures_start = sign_start + Vector2::new(sign_mm, 0.0);
    [(sign, sign_start), (figures, figures_start)]
        .into_iter()
        .filter(|(part, _)| !part.is_empty())
        .map(|(part, start)| Item::Text(Text::across(part, Face::Bold, size_pt, start)))
        .collect()
}

/// The station as it is read out: `+50 %`, `0 %`, `−12.5 %`.
fn stick(card: &StationCard) -> String {
    let sign = match card.stick_pct {
        value if value > 0.0 => "+",
        value if value < 0.0 => "−",
        _ => "",
    };
    format!("{sign}{} %", figure(card.stick_pct.abs()))
}
