//! Damage: hands on only pictures that are whole, and none that was predicted from a damaged one.
//!
//! A decoder makes up what it cannot decode, and predicts the following pictures from that, up to the
//! next key frame. Pictures are presented in another order than they are decoded in, so that one may be
//! presented before the damaged picture that it was predicted from. Each picture therefore waits until
//! all pictures that were decoded before it have been presented.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use crate::foreign::WATCHED_PACKETS;

/// A packet that was given to the decoder.
#[derive(Debug, Clone, Copy)]
struct Sent {
    /// Place in the order of decoding.
    order: u64,
    key: bool,
}

/// A picture that came out of the decoder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Arrival {
    /// Time stamp of its packet, where the container has them.
    pub stamp: Option<i64>,
    /// Time that the container gives, seconds.
    pub time_s: Option<f64>,
    /// Whether it may be a key frame, where no packet says so.
    pub intra: bool,
    /// Whether the decoder made up a part of it.
    pub damaged: bool,
}

/// A picture that waits for those that were decoded before it.
struct Held<T> {
    order: u64,
    time_s: Option<f64>,
    picture: T,
}

/// Pictures on their way from the decoder to the timeline, in the order of presentation.
pub(super) struct Intact<T> {
    /// Packets whose pictures have not been presented, by time stamp.
    awaited: BTreeMap<i64, Sent>,
    /// Time stamp of the first picture. A clip may begin with pictures that nobody can decode, since they
    /// were predicted from what was cut away.
    first_stamp: Option<i64>,
    next_order: u64,
    last_order: u64,
    /// Places in the order of decoding from which pictures are damaged, up to the next key frame.
    damaged_from: BTreeSet<u64>,
    held: VecDeque<Held<T>>,
    last_intact_s: f64,
    lost: Vec<f64>,
    seconds_per_tick: f64,
    /// Whether each packet brings one picture, so that a missing one is a lost one.
    one_each: bool,
}

impl<T> Intact<T> {
    pub(super) fn new(seconds_per_tick: f64, one_each: bool) -> Self {
        Self {
            awaited: BTreeMap::new(),
            first_stamp: None,
            next_order: 0,
            last_order: 0,
            damaged_from: BTreeSet::new(),
            held: VecDeque::new(),
            last_intact_s: 0.0,
            lost: Vec::new(),
            seconds_per_tick,
            one_each,
        }
    }

    /// A packet goes to the decoder; its place in the order of decoding.
    pub(super) fn sent(&mut self, stamp: Option<i64>, key: bool) -> u64 {
        let order = self.next_order;
        if let Some(stamp) = stamp {
            self.awaited.insert(stamp, Sent { order, key });
        }
        self.next_order += 1;
        self.give_up_old();
        order
    }

    /// Packets that the decoder cannot hold any more bring no picture, whatever time stamp they have.
    fn give_up_old(&mut self) {
        let Some(oldest_order) = self.next_order.checked_sub(WATCHED_PACKETS as u64) else {
            return;
        };
        let is_old = |sent: &Sent| sent.order < oldest_order;
        if self.awaited.values().any(is_old) {
            let old: Vec<_> = self
                .awaited
                .extract_if(.., |_, sent| is_old(sent))
                .collect();
            self.miss(old);
        }
    }

    /// A packet was lost on its way to the decoder.
    pub(super) fn packet_lost(&mut self, stamp: Option<i64>) {
        self.damaged_from.insert(self.next_order);
        self.lose(stamp.map(|stamp| self.seconds(stamp)));
        self.next_order += 1;
    }

    /// The decoder failed at one of the packets that it holds. Where each packet brings one picture, the missing
    /// picture shows which.
    pub(super) fn decoder_failed(&mut self) {
        if self.one_each && !self.awaited.is_empty() {
            return;
        }
        let orders = self.awaited.values().map(|sent| sent.order);
        match orders.min() {
            Some(order) => self.damage(order),
            None => {
                self.lose(None);
                self.damage(self.next_order);
            }
        }
    }

    /// Notes the next picture in the order of presentation. `None` if it is lost, otherwise its place in
    /// the order of decoding, to [`Intact::hold`] it with, and whether it is a key frame.
    pub(super) fn arrived(&mut self, arrival: &Arrival) -> Option<(u64, bool)> {
        let sent = arrival.stamp.and_then(|stamp| {
            let sent = self.awaited.remove(&stamp)?;
            self.lose_missing_before(stamp);
            Some(sent)
        });
        let Sent { order, key } = sent.unwrap_or(Sent {
            order: self.last_order,
            key: arrival.intra,
        });
        self.last_order = self.last_order.max(order);
        if key {
            // A key frame that is damaged itself ends no damage.
            self.damaged_from.retain(|&from| from >= order);
        }
        if arrival.damaged {
            self.damage(order);
        }
        let lost = self.damaged_from.first().is_some_and(|&from| from <= order);
        if lost {
            self.lose(arrival.time_s);
        }
        (!lost).then_some((order, key))
    }

    /// Keeps a picture until it is known to be whole.
    pub(super) fn hold(&mut self, order: u64, time_s: Option<f64>, picture: T) {
        self.held.push_back(Held {
            order,
            time_s,
            picture,
        });
    }

    /// The next picture that is known to be whole; with `ended`, no more pictures arrive.
    pub(super) fn pop(&mut self, ended: bool) -> Option<T> {
        let order = self.held.front()?.order;
        let earlier = |sent: &Sent| sent.order < order;
        if !ended && self.awaited.values().any(earlier) {
            return None;
        }
        let held = self.held.pop_front()?;
        self.last_intact_s = held.time_s.unwrap_or(self.last_intact_s);
        Some(held.picture)
    }

    /// Times of the container at which pictures were lost, seconds.
    pub(super) fn lost_s(&self) -> &[f64] {
        &self.lost
    }

    /// The pictures from here on in the order of decoding are damaged; those that wait are lost.
    pub(super) fn damage(&mut self, from: u64) {
        self.damaged_from.insert(from);
        let (whole, lost) = std::mem::take(&mut self.held)
            .into_iter()
            .partition(|held| held.order < from);
        self.held = whole;
        for held in lost {
            self.lose(held.time_s);
        }
    }

    /// Packets whose pictures should have been presented before this time stamp.
    fn lose_missing_before(&mut self, stamp: i64) {
        let later = self.awaited.split_off(&stamp);
        let missing = std::mem::replace(&mut self.awaited, later);
        self.first_stamp.get_or_insert(stamp);
        self.miss(missing);
    }

    /// Packets whose pictures do not come.
    fn miss(&mut self, missing: impl IntoIterator<Item = (i64, Sent)>) {
        let one_each = self.one_each;
        let Some(first) = self.first_stamp.filter(|_| one_each) else {
            return;
        };
        for (stamp, Sent { order, .. }) in missing {
            if stamp > first {
                self.damage(order);
                self.lose(Some(self.seconds(stamp)));
            }
        }
    }

    fn lose(&mut self, time_s: Option<f64>) {
        self.lost.push(time_s.unwrap_or(self.last_intact_s));
    }

    fn seconds(&self, stamp: i64) -> f64 {
        stamp as f64 * self.seconds_per_tick
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pictures in the order of decoding, by the places at which they are presented; key frames first in
    /// their groups.
    struct Film {
        decoded: Vec<i64>,
        keys: Vec<i64>,
    }

    impl Film {
        /// What is handed on, and how many pictures are lost, where the pictures presented at these
        /// places are damaged or missing. The decoder holds three packets.
        fn shown(&self, damaged: &[i64], missing: &[i64]) -> (Vec<i64>, usize) {
            let mut intact = Intact::new(1.0, true);
            let mut shown = vec![];
            let mut presented: Vec<i64> = self.decoded.clone();
            presented.sort_unstable();
            let mut sent = 0;
            for place in presented {
                let needed = self
                    .decoded
                    .iter()
                    .position(|&other| other == place)
                    .unwrap()
                    + 3;
                while sent < needed.min(self.decoded.len()) {
                    let stamp = self.decoded[sent];
                    intact.sent(Some(stamp), self.keys.contains(&stamp));
                    sent += 1;
                }
                if missing.contains(&place) {
                    continue;
                }
                let arrival = Arrival {
                    stamp: Some(place),
                    time_s: Some(place as f64),
                    intra: false,
                    damaged: damaged.contains(&place),
                };
                if let Some((order, _)) = intact.arrived(&arrival) {
                    intact.hold(order, arrival.time_s, place);
                }
                shown.extend(std::iter::from_fn(|| intact.pop(false)));
            }
            shown.extend(std::iter::from_fn(|| intact.pop(true)));
            (shown, intact.lost_s().len())
        }
    }

    /// Two groups of pictures: each third one is predicted from the one before, the two between from both.
    fn film() -> Film {
        Film {
            decoded: vec![0, 3, 1, 2, 6, 4, 5, 7, 10, 8, 9],
            keys: vec![0, 7],
        }
    }

    #[test]
    fn a_whole_film_is_shown_in_order() {
        assert_eq!(film().shown(&[], &[]), ((0..=10).collect(), 0));
    }

    #[test]
    fn damage_lasts_up_to_the_next_key_frame() {
        // Pictures 4 and 5 are presented before 6 and predicted from it.
        assert_eq!(film().shown(&[6], &[]), (vec![0, 1, 2, 3, 7, 8, 9, 10], 3));
        assert_eq!(film().shown(&[3], &[]), (vec![0, 7, 8, 9, 10], 6));
        assert_eq!(film().shown(&[], &[3]), (vec![0, 7, 8, 9, 10], 6));
    }

    #[test]
    fn a_damaged_key_frame_ends_no_damage() {
        assert_eq!(film().shown(&[7], &[]), (vec![0, 1, 2, 3, 4, 5, 6], 4));
        assert_eq!(film().shown(&[4, 7], &[]), (vec![0, 1, 2, 3, 6], 6));
    }

    #[test]
    fn a_packet_without_a_picture_does_not_hold_the_film_up() {
        // The fifth packet has a time stamp far ahead, and its picture does not come.
        for one_each in [false, true] {
            let mut intact = Intact::new(1.0, one_each);
            let (mut most_held, mut shown) = (0, 0);
            for place in 0..400 {
                let stamp = if place == 5 { 1_000_000 } else { place };
                intact.sent(Some(stamp), place % 100 == 0);
                if place == 5 {
                    continue;
                }
                let arrival = Arrival {
                    stamp: Some(place),
                    time_s: Some(place as f64),
                    intra: false,
                    damaged: false,
                };
                if let Some((order, _)) = intact.arrived(&arrival) {
                    intact.hold(order, arrival.time_s, place);
                }
                most_held = most_held.max(intact.held.len());
                shown += std::iter::from_fn(|| intact.pop(false)).count();
            }
            assert!(most_held <= WATCHED_PACKETS, "{most_held}");
            // What may be predicted from the missing picture is lost, up to the next key frame.
            let expected = if one_each { 400 - 95 } else { 399 };
            assert_eq!(shown, expected, "{one_each}");
        }
    }

    #[test]
    fn lost_packets_keep_their_times() {
        let mut intact: Intact<()> = Intact::new(0.5, true);
        for stamp in [2, 3, 9] {
            intact.packet_lost(Some(stamp));
        }
        assert_eq!(intact.lost_s(), [1.0, 1.5, 4.5]);
    }
}
