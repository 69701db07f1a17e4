//! Up against up: surfaces that move opposite ways and go less far down than up.
//!
//! What the reference does at a stick position, the follower is to do at the opposite one. The
//! radio's mix gives the side that goes down a smaller share of the command, before the numbers of
//! the servo act; so all sticks become what reaches those numbers, and the reference is turned
//! about neutral. What is then left is the plain job of opposite motion.

use std::borrow::Cow;

use crate::measured::Measured;
use crate::model_file::{Radio, Settings};
use crate::response::{Response, Responses};
use crate::stations::Approach;

use super::{Correction, StationMismatch};

/// Sticks nearer than this are the same, %.
const SAME_STICK_PCT: f64 = 1e-6;

/// How a pair's sticks and the commands that its servos' numbers get belong together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Differential {
    down_to_up: f64,
    /// +1 where the follower goes up with the stick.
    follower_sense: f64,
}

impl Differential {
    /// The mix as it acts on a follower; `None` if that was not measured.
    pub fn new(responses: &Responses, follower: &str, down_to_up: f64) -> Option<Self> {
        let stations = &find(responses, follower)?.stations;
        let by_stick = |a: &&_, b: &&_| {
            let stick = |station: &crate::response::StationDeflection| station.stick_pct;
            stick(a).total_cmp(&stick(b))
        };
        let (low, high) = (
            stations.iter().min_by(by_stick)?,
            stations.iter().max_by(by_stick)?,
        );
        Some(Self {
            down_to_up,
            follower_sense: (high.deflection_deg.value - low.deflection_deg.value).signum(),
        })
    }

    /// The share of the command on the side of a stick position.
    fn share(self, stick_pct: f64) -> f64 {
        if stick_pct * self.follower_sense < 0.0 {
            self.down_to_up
        } else {
            1.0
        }
    }

    /// The responses by what the servos' numbers get, the reference turned about neutral.
    pub fn turned(self, responses: &Responses, names: (&str, &str)) -> Responses {
        let (reference, follower) = names;
        let mut turned = responses.clone();
        let mut row = 0;
        for surface in &mut turned.surfaces {
            let count = surface.stations.len();
            if surface.surface == reference {
                turn(surface);
                for other in 0..turned.covariance_deg2.nrows() {
                    for own in row..row + count {
                        turned.covariance_deg2[(own, other)] *= -1.0;
                        turned.covariance_deg2[(other, own)] *= -1.0;
                    }
                }
            }
            if [reference, follower].contains(&surface.surface.as_str()) {
                for station in &mut surface.stations {
                    station.stick_pct *= self.share(station.stick_pct);
                }
                for stop in &mut surface.health.early_stop {
                    stop.stick_pct *= self.share(stop.stick_pct);
                }
            }
            row += count;
        }
        turned
    }

    /// The correction told by the follower's stick, follower minus reference, up positive.
    pub fn told_by_stick(self, mut correction: Correction) -> Correction {
        let stick_pct = |input_pct: f64| input_pct / self.share(input_pct);
        let by_stick = |station: &mut StationMismatch| {
            station.stick_pct = stick_pct(station.stick_pct);
            let mismatch_deg = station.mismatch_deg;
            station.mismatch_deg = Measured::new(-mismatch_deg.value, mismatch_deg.sd);
        };
        correction.found_deg.iter_mut().for_each(by_stick);
        let predicted = &mut correction.predicted_deg.stations;
        predicted.iter_mut().for_each(by_stick);
        for end in &mut correction.out_of_reach {
            end.stick_pct = stick_pct(end.stick_pct);
            end.reference_stick_pct = Some(-end.stick_pct);
            end.reference_deg = -end.reference_deg;
            end.follower_deg = -end.follower_deg;
        }
        correction
    }
}

fn find<'a>(responses: &'a Responses, name: &str) -> Option<&'a Response> {
    responses
        .surfaces
        .iter()
        .find(|response| response.surface == name)
}

/// A response turned about neutral: what it does at the opposite stick, the other way round.
fn turn(response: &mut Response) {
    for station in &mut response.stations {
        station.stick_pct = -station.stick_pct;
        station.deflection_deg.value = -station.deflection_deg.value;
        station.approach = match station.approach {
            Approach::Rising => Approach::Falling,
            Approach::Falling => Approach::Rising,
            Approach::First => Approach::First,
        };
    }
    for stop in &mut response.health.early_stop {
        stop.stick_pct = -stop.stick_pct;
        stop.deflection_deg.value = -stop.deflection_deg.value;
    }
}

/// The radio with the reference's own numbers turned likewise. A curve whose points do not lie
/// evenly about neutral cannot be turned and is left out: the reference's response is known by the
/// stick all the same, which is what the follower is matched to.
pub(super) fn turned_radio<'a>(radio: &'a Radio, reference: &str) -> Cow<'a, Radio> {
    let Some(active) = radio.active.get(reference) else {
        return Cow::Borrowed(radio);
    };
    let points = radio.curve_points_pct.as_deref().unwrap_or_default();
    let is_even = points
        .iter()
        .zip(points.iter().rev())
        .all(|(a, b)| (a + b).abs() < SAME_STICK_PCT);
    let turned_curve = active.curve_pct.iter().rev().map(|added| -added);
    let settings = Settings {
        curve_pct: if is_even {
            turned_curve.collect()
        } else {
            Vec::new()
        },
        sub_trim_pct: -active.sub_trim_pct,
        end_points_pct: [active.end_points_pct[1], active.end_points_pct[0]],
    };
    let mut turned = radio.clone();
    turned.active.insert(reference.into(), settings);
    Cow::Owned(turned)
}
