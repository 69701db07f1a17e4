//! Print: tags, station cards and calibration boards as PDF in exact millimetres.
//!
//! Every kind of sheet is laid out as a [`Document`] of [`Sheet`]s, whose [`Item`]s are placed in
//! millimetres from the top-left corner of the paper, x right and y down; [`Document::pdf`] writes
//! it. Each sheet has a bar of 100 mm along both sides of the paper, which shows the scale of the
//! printer; [`MeasuredBar`] corrects for it.
//!
//! Tags are printed as the AprilTag project draws them. OpenCV's dictionary holds the same
//! pictures turned by 180°; that turn is made in one place, `pattern::tag`.

mod board;
mod bracket;
mod cards;
mod choosing;
mod document;
mod error;
mod flow;
mod frame;
mod kit;
mod level;
mod paper;
mod pattern;
mod pdf;
mod scene;
mod sheet;
mod sketch;
mod tag_order;
mod tags;
mod typeface;

pub use board::board;
pub use bracket::{Bracket, DEFAULT_LEAN_DEG};
pub use cards::{CardsPerSheet, StationCard, cards, station_cards};
pub use choosing::{EDGES_MM, GOOD_EDGE_PX, usual_width_px};
pub use document::Document;
pub use error::PrintError;
pub use kit::kit;
pub use paper::{MeasuredBar, PageSetup, Paper};
pub use pattern::{SMALLEST_EDGE_MM, white_margin_mm};
pub use sheet::{Area, Item, Line, LineKind, Pattern, PointMm, Reading, Sheet, Text};
pub use tag_order::TagOrder;
pub use tags::{TagMount, tags};
pub use typeface::{Face, text_width_mm};
