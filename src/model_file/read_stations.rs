//! Reads how stations are declared.

use std::collections::BTreeMap;
use std::path::PathBuf;

use toml::Spanned;

use super::book::TagBook;
use super::fields::Reader;
use super::{ModelFault, StationSource, Stations};
use crate::table_reader::Limits;

/// The stick's whole way.
pub(super) const STICK_LIMITS: Limits = Limits::new(-100.0, 100.0, "%");
/// Times in a clip.
const TIME_LIMITS: Limits = Limits::new(0.0, 1e6, "s");

/// Ways of declaring stations, as in the file.
#[derive(Clone, Copy)]
enum From {
    Cards,
    Order,
    Marks,
    Log,
}

/// Reads `[stations]`; keys of other ways of declaring are checked, but not used.
pub(super) fn stations(mut table: Reader<'_>, book: &mut TagBook) -> Option<Stations> {
    let choices = [
        ("cards", From::Cards),
        ("order", From::Order),
        ("marks", From::Marks),
        ("log", From::Log),
    ];
    let from = table.required_choice("from", &choices);
    let cards = table.optional_table("cards");
    let cards = cards.map(|cards| own_cards(cards, book));
    let order = table.optional_numbers("order", STICK_LIMITS);
    let file = table.optional::<String>("file");
    let neutral_is_told = table.has("neutral");
    let neutral = table.optional_table("neutral").and_then(time_s);
    let level = table.optional_table("level").and_then(time_s);
    match from {
        Some(From::Order) => table.demand("order", "the stick positions of the holds, in time"),
        Some(From::Marks | From::Log) => {
            table.demand("file", "the name of a CSV file with time_s, stick_pct");
        }
        Some(From::Cards) | None => {}
    }
    let default_cards = matches!(from, Some(From::Cards)) && !table.has("cards");
    let cards = match cards {
        None if default_cards => Some(book.claim_default_cards(table.faults())),
        cards => cards.flatten(),
    };
    let order = order.and_then(|order| declared_order(&table, order, neutral_is_told));
    let file = file.map(|file| PathBuf::from(file.into_inner()));
    table.finish();
    Some(Stations {
        source: match from? {
            From::Cards => StationSource::Cards(cards?),
            From::Order => StationSource::Order(order?),
            From::Marks => StationSource::Marks(file?),
            From::Log => StationSource::Log(file?),
        },
        neutral_time_s: neutral,
        level_time_s: level,
    })
}

fn own_cards(mut table: Reader<'_>, book: &mut TagBook) -> Option<BTreeMap<u32, f64>> {
    let mut cards = BTreeMap::new();
    let entries = table.inner_numbers(STICK_LIMITS);
    let count = entries.len();
    if table.is_empty() {
        let (key, least) = ("cards", 1);
        let fault = ModelFault::TooFew { key, count, least };
        table.faults().push(table.span(), fault);
    }
    for (key, stick_pct) in entries {
        match key.get_ref().parse::<u32>() {
            Ok(id) => {
                let id = Spanned::new(key.span(), id);
                let is_claimed = if cards.contains_key(id.get_ref()) {
                    book.claim(table.faults(), &id, || format!("the card {stick_pct} %"))
                } else {
                    book.claim_card(table.faults(), &id, stick_pct)
                };
                if is_claimed {
                    cards.insert(id.into_inner(), stick_pct);
                }
            }
            Err(_) => {
                let id = key.get_ref().clone();
                table.fault(&key, ModelFault::NoSuchId { id });
            }
        }
    }
    (cards.len() == count && count > 0).then_some(cards)
}

fn declared_order(
    table: &Reader<'_>,
    order: Spanned<Vec<f64>>,
    neutral_is_told: bool,
) -> Option<Vec<f64>> {
    if !neutral_is_told && !order.get_ref().contains(&0.0) {
        table.fault(&order, ModelFault::NoNeutral);
        return None;
    }
    Some(order.into_inner())
}

fn time_s(mut table: Reader<'_>) -> Option<[f64; 2]> {
    let span = table.required::<[f64; 2]>("time_s");
    if let Some(span) = &span {
        let [start, end] = *span.get_ref();
        if !TIME_LIMITS.contains(start) || !TIME_LIMITS.contains(end) || start >= end {
            table.fault(span, ModelFault::NoSpan { start, end });
        }
    }
    table.finish();
    span.map(Spanned::into_inner)
}
