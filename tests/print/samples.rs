//! One document of every kind.

use std::path::PathBuf;

use hingewise::camera::calibration::{Board, Charuco, Chessboard};
use hingewise::model_file::{
    AirframeTag, ModelFile, Side, StationSource, Stations, Surface, default_cards,
};
use hingewise::print::{
    CardsPerSheet, DEFAULT_LEAN_DEG, Document, PageSetup, Paper, TagMount, TagOrder, board, cards,
    kit, station_cards, tags,
};
use hingewise::vision::Dictionary;

pub const LETTER: PageSetup = PageSetup {
    paper: Paper::Letter,
    measured_bar: None,
};

/// An aircraft with two surfaces of different size, a rudder and an airframe tag.
pub fn model() -> ModelFile {
    let surface = |name: &str, side, tag_id, edge_mm| Surface {
        name: name.into(),
        side,
        tag_id,
        edge_mm,
        chord_mm: None,
        hinge_to_tag_mm: None,
        upright: side == Side::Centre,
    };
    ModelFile {
        path: PathBuf::from("model.toml"),
        name: "Heron 2.1 m".into(),
        airframe_tags: vec![AirframeTag {
            id: 0,
            edge_mm: 30.0,
        }],
        surfaces: vec![
            surface("left tailplane", Side::Left, 10, 20.0),
            surface("right tailplane", Side::Right, 11, 20.0),
            surface("rudder", Side::Centre, 12, 8.0),
        ],
        matches: vec![],
        stations: Stations {
            source: StationSource::Cards(default_cards()),
            neutral_time_s: None,
            level_time_s: None,
        },
        functions: vec![],
        radio: None,
    }
}

pub fn flat_tags(setup: &PageSetup) -> Document {
    let orders: Vec<TagOrder> = [
        (0, 30.0),
        (10, 20.0),
        (11, 20.0),
        (12, 8.0),
        (586, 6.0),
        (300, 60.0),
    ]
    .map(|(id, edge_mm)| TagOrder::unnamed(id, edge_mm))
    .into();
    tags(&orders, TagMount::Flat, setup).unwrap()
}

pub fn bracket_tags(setup: &PageSetup) -> Document {
    let orders: Vec<TagOrder> = [(10, 20.0), (42, 6.0), (7, 12.5), (0, 30.0)]
        .map(|(id, edge_mm)| TagOrder::unnamed(id, edge_mm))
        .into();
    let mount = TagMount::Bracket {
        lean_deg: DEFAULT_LEAN_DEG,
    };
    tags(&orders, mount, setup).unwrap()
}

pub fn station_card_sheets(per_sheet: CardsPerSheet, setup: &PageSetup) -> Document {
    let stations = station_cards(&model(), &[]).unwrap();
    cards(&stations, per_sheet, setup).unwrap()
}

/// Three quarters of each white square are marker.
pub fn charuco(square_mm: f64) -> Board {
    Board::Charuco(Charuco {
        columns: 9,
        rows: 6,
        square_mm,
        marker_mm: 0.75 * square_mm,
        dictionary: Dictionary::named("DICT_5X5_100").unwrap(),
    })
}

pub fn chessboard() -> Board {
    Board::Chessboard(Chessboard {
        columns: 6,
        rows: 8,
        square_mm: 22.0,
    })
}

/// A board that only fits across the paper.
pub fn chessboard_across() -> Board {
    Board::Chessboard(Chessboard {
        columns: 9,
        rows: 5,
        square_mm: 22.0,
    })
}

/// One document of every kind, with a name for its file.
pub fn all(setup: &PageSetup) -> Vec<(&'static str, Document)> {
    vec![
        ("tags-flat", flat_tags(setup)),
        ("tags-on-brackets", bracket_tags(setup)),
        ("cards-1", station_card_sheets(CardsPerSheet::One, setup)),
        ("cards-2", station_card_sheets(CardsPerSheet::Two, setup)),
        ("cards-4", station_card_sheets(CardsPerSheet::Four, setup)),
        ("cards-8", station_card_sheets(CardsPerSheet::Eight, setup)),
        ("charuco", board(&charuco(22.0), setup).unwrap()),
        ("chessboard", board(&chessboard(), setup).unwrap()),
        (
            "kit",
            kit(&model(), DEFAULT_LEAN_DEG, CardsPerSheet::Four, setup).unwrap(),
        ),
    ]
}
