//! Exchange: detects two stations whose labels are swapped.

use std::collections::BTreeMap;

use super::consistency;
use crate::model_file::StationSource;
use crate::stations::error::StationsError;
use crate::stations::seen_rest::SeenRest;

/// Refuses stations of which two were exchanged: cards swapped in the hand or in the model file.
///
/// A linkage past its dead centre turns back smoothly, and no exchange makes that any smoother.
pub(in crate::stations) fn reject_swapped(
    seen: &[SeenRest],
    labels: &[Option<f64>],
    source: &StationSource,
) -> Result<(), StationsError> {
    let as_declared_deg = consistency::off_smooth_deg(seen, labels);
    if as_declared_deg < consistency::clearly_off_deg(0.0) {
        return Ok(());
    }
    let mut stations: Vec<f64> = labels.iter().flatten().copied().collect();
    stations.sort_by(f64::total_cmp);
    stations.dedup();
    let mut ways: Vec<(f64, [f64; 2])> = Vec::new();
    for (at, &one) in stations.iter().enumerate() {
        for &other in &stations[at + 1..] {
            let pair = [one, other];
            // In many orders a cubic fits few stations; only a monotone one is accepted.
            let labels = exchanged(labels, pair);
            let off_deg = consistency::off_steady_deg(seen, &labels);
            ways.push((off_deg, pair));
        }
    }
    ways.sort_by(|a, b| a.0.total_cmp(&b.0));
    let Some(&(exchanged_deg, sticks_pct)) = ways.first() else {
        return Ok(());
    };
    let clear_deg = consistency::clearly_off_deg(exchanged_deg);
    let is_clear = as_declared_deg > clear_deg && ways.get(1).is_none_or(|next| next.0 > clear_deg);
    if !is_clear {
        return Ok(());
    }
    Err(StationsError::StationsExchanged {
        sticks_pct,
        cards: match source {
            StationSource::Cards(stick_by_card) => cards_of(stick_by_card, sticks_pct),
            _ => None,
        },
        as_declared_deg,
        exchanged_deg,
    })
}

fn exchanged(labels: &[Option<f64>], [one, other]: [f64; 2]) -> Vec<Option<f64>> {
    let exchange = |stick_pct: f64| match stick_pct {
        stick_pct if stick_pct == one => other,
        stick_pct if stick_pct == other => one,
        stick_pct => stick_pct,
    };
    labels.iter().map(|stick| stick.map(exchange)).collect()
}

fn cards_of(stick_by_card: &BTreeMap<u32, f64>, sticks_pct: [f64; 2]) -> Option<[u32; 2]> {
    let card = |wanted_pct: f64| {
        let mut cards = stick_by_card.iter();
        cards
            .find(|(_, stick_pct)| **stick_pct == wanted_pct)
            .map(|(card, _)| *card)
    };
    Some([card(sticks_pct[0])?, card(sticks_pct[1])?])
}
