//! Which station the next hold belongs to: the one asked for, the one that a card shows, or the next of the
//! declared order.

use std::collections::BTreeMap;

use super::error::LiveError;
use crate::model_file::{ModelFile, StationSource};
use crate::stick::is_same;
use crate::tags::SightedFrame;

/// The stations still to come.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stations {
    order_pct: Vec<f64>,
    /// How many of the order are done or were left out.
    done: usize,
    asked_pct: Option<f64>,
    stick_by_card: BTreeMap<u32, f64>,
}

impl Stations {
    pub fn of(model: &ModelFile) -> Self {
        let mut order_pct = Vec::new();
        let mut stick_by_card = BTreeMap::new();
        match &model.stations.source {
            StationSource::Order(order) => order_pct.clone_from(order),
            StationSource::Cards(cards) => stick_by_card.clone_from(cards),
            StationSource::Marks(_) | StationSource::Log(_) => {}
        }
        // One station twice in a row is one rest.
        order_pct.dedup_by(|a, b| is_same(*a, *b));
        Self {
            order_pct,
            done: 0,
            asked_pct: None,
            stick_by_card,
        }
    }

    /// The next station, before any card is read.
    pub fn next_pct(&self) -> Option<f64> {
        self.asked_pct.or(self.order_pct.get(self.done).copied())
    }

    /// The station of a rest with these frames.
    pub fn of_rest<'a>(&self, frames: impl Iterator<Item = &'a SightedFrame>) -> Option<f64> {
        let shown = || {
            let cards = frames.flat_map(|frame| &frame.sightings);
            let sticks = cards.filter_map(|card| self.stick_by_card.get(&card.tag_id));
            sticks.last().copied()
        };
        self.asked_pct
            .or_else(shown)
            .or(self.order_pct.get(self.done).copied())
    }

    /// Whether cards show the stations.
    pub fn by_cards(&self) -> bool {
        !self.stick_by_card.is_empty()
    }

    pub fn left(&self) -> usize {
        self.order_pct.len().saturating_sub(self.done)
    }

    pub fn ask(&mut self, stick_pct: Option<f64>) -> Result<(), LiveError> {
        if let Some(stick_pct) = stick_pct
            && !(-100.0..=100.0).contains(&stick_pct)
        {
            return Err(LiveError::NoStation { stick_pct });
        }
        self.asked_pct = stick_pct;
        Ok(())
    }

    /// A station was held.
    pub fn held(&mut self, stick_pct: f64) {
        self.asked_pct = None;
        let next_pct = self.order_pct.get(self.done);
        if next_pct.is_some_and(|next_pct| is_same(*next_pct, stick_pct)) {
            self.done += 1;
        }
    }

    /// Leaves out the station asked for, else the next of the order.
    pub fn skip(&mut self) {
        if self.asked_pct.take().is_none() {
            self.done = (self.done + 1).min(self.order_pct.len());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stations::test_motion::model_with;

    fn ordered(order_pct: &[f64]) -> Stations {
        Stations::of(&model_with(StationSource::Order(order_pct.to_vec())))
    }

    #[test]
    fn stations_follow_the_order_and_one_asked_for_comes_first() {
        let mut stations = ordered(&[0.0, 50.0, 50.0, 100.0]);
        assert_eq!((stations.next_pct(), stations.left()), (Some(0.0), 3));
        stations.ask(Some(-25.0)).unwrap();
        assert_eq!(stations.next_pct(), Some(-25.0));
        stations.held(-25.0);
        assert_eq!(stations.next_pct(), Some(0.0));
        stations.held(0.0);
        stations.skip();
        assert_eq!(stations.next_pct(), Some(100.0));
        stations.held(100.0);
        assert_eq!((stations.next_pct(), stations.left()), (None, 0));
    }

    #[test]
    fn only_stick_positions_can_be_asked_for() {
        let mut stations = ordered(&[0.0]);
        for wrong in [100.5, f64::NAN, f64::NEG_INFINITY] {
            assert!(stations.ask(Some(wrong)).is_err(), "{wrong}");
        }
        assert_eq!(stations.next_pct(), Some(0.0));
    }
}
