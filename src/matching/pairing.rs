//! Which stick positions of two sides belong together.
//!
//! Ailerons are compared up with up: the follower has to do the same at the opposite stick position.
//! A differential gives the side that goes down a smaller share of the command before the numbers of
//! its servo act, and a mix may turn the sign of that command. All sticks of a pair become inputs of
//! the follower's numbers. Then both sides move the same way.

use crate::measured::Measured;
use crate::model_file::{Compare, MatchGroup, MatchMotion, Radio};
use crate::response::{Response, Responses, StationDeflection};
use crate::stations::Approach;

use super::correction::{Correction, StationMismatch};

/// Names of the two surfaces of a pair; the reference may be a target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Names<'n> {
    pub reference: &'n str,
    pub follower: &'n str,
}

/// How the sticks of a pair belong together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pairing {
    /// −1 where the follower's stick is the opposite of the reference's.
    across: f64,
    /// −1 where the follower's deflections count the other way round: up against down.
    mirror: f64,
    /// Share of the command for the side going down, and +1 where the follower goes up with the stick.
    share: Option<(f64, f64)>,
    /// −1 where a mix turns the command of the reference, of the follower.
    inputs: [f64; 2],
    /// Whether the reference is a target instead of a surface.
    is_target: bool,
    /// The follower's neutral above the reference's, counted as the follower's deflections are; `None`
    /// where each counts from its own.
    neutral_deg: Option<Measured>,
}

impl Pairing {
    /// The pairing of a follower with its reference.
    pub fn with_reference(
        responses: &Responses,
        group: &MatchGroup,
        radio: &Radio,
        names: Names<'_>,
    ) -> Self {
        let (across, mirror) = match (group.motion, group.compare) {
            (MatchMotion::Same, _) => (1.0, 1.0),
            (MatchMotion::Opposite, Compare::UpWithUp) => (-1.0, 1.0),
            (MatchMotion::Opposite, Compare::UpWithDown) => (1.0, -1.0),
        };
        Self {
            across,
            mirror,
            share: share(responses, group, names.follower),
            inputs: [names.reference, names.follower].map(|name| input_sign(radio, name)),
            is_target: false,
            neutral_deg: neutral_deg(responses, names).map(|offset| offset.scaled(mirror)),
        }
    }

    /// The pairing of a surface with a target that is written by that surface's own stick.
    pub fn with_target(
        responses: &Responses,
        group: &MatchGroup,
        radio: &Radio,
        surface: &str,
    ) -> Self {
        let sign = input_sign(radio, surface);
        let names = Names {
            reference: &group.reference,
            follower: surface,
        };
        Self {
            across: 1.0,
            mirror: 1.0,
            share: share(responses, group, surface),
            inputs: [sign, sign],
            is_target: true,
            neutral_deg: neutral_deg(responses, names),
        }
    }

    /// The same, each side counting from its own neutral.
    pub fn counted_from_own_neutral(self) -> Self {
        Self {
            neutral_deg: None,
            ..self
        }
    }

    /// The follower's neutral above the reference's, if a level zero gives it.
    pub fn neutral_deg(self) -> Option<Measured> {
        self.neutral_deg
    }

    /// Input of the reference's numbers for an input of the follower's, as a sign.
    pub fn reference_sign(self) -> f64 {
        self.across * self.inputs[0] * self.inputs[1]
    }

    /// Whether the reference is a target, which no linkage need make.
    pub fn is_target(self) -> bool {
        self.is_target
    }

    /// How the model file declares that both move with the stick.
    pub fn declared_motion(self) -> MatchMotion {
        if self.across * self.mirror < 0.0 {
            MatchMotion::Opposite
        } else {
            MatchMotion::Same
        }
    }

    /// Input of the follower's numbers at its own stick, %.
    fn input_pct(self, stick_pct: f64) -> f64 {
        self.inputs[1] * self.share_at(stick_pct) * stick_pct
    }

    /// The reference's stick for an input of the follower's numbers, %.
    fn reference_stick_pct(self, input_pct: f64) -> f64 {
        self.across * self.follower_stick_pct(input_pct)
    }

    /// The follower's stick for an input of its numbers, %.
    fn follower_stick_pct(self, input_pct: f64) -> f64 {
        let stick_pct = self.inputs[1] * input_pct;
        stick_pct / self.share_at(stick_pct)
    }

    fn share_at(self, stick_pct: f64) -> f64 {
        match self.share {
            Some((down_to_up, sense)) if stick_pct * sense < 0.0 => down_to_up,
            _ => 1.0,
        }
    }

    /// Both responses by the input of the follower's numbers.
    pub fn paired(self, responses: &Responses, names: Names<'_>) -> Responses {
        let mut paired = responses.clone();
        let mut row = 0;
        for surface in &mut paired.surfaces {
            let count = surface.stations.len();
            if surface.surface == names.reference {
                let turned = self.across * self.inputs[1] < 0.0;
                by_input(surface, turned, |stick| self.input_pct(self.across * stick));
            } else if surface.surface == names.follower {
                by_input(surface, self.inputs[1] < 0.0, |stick| self.input_pct(stick));
                if self.mirror < 0.0 {
                    negate(surface);
                    paired.covariance_deg2.rows_mut(row, count).neg_mut();
                    paired.covariance_deg2.columns_mut(row, count).neg_mut();
                }
            }
            row += count;
        }
        paired
    }

    /// A correction by the reference's stick; ends also by the follower's.
    pub fn by_stick(self, mut correction: Correction) -> Correction {
        let predicted = &mut correction.predicted_deg.stations;
        let of_ends = correction.out_of_reach.iter_mut();
        let of_ends = of_ends.map(|end| &mut end.common_stations);
        for stations in [&mut correction.found_deg, predicted]
            .into_iter()
            .chain(of_ends)
        {
            for station in stations.iter_mut() {
                station.stick_pct = self.reference_stick_pct(station.stick_pct);
            }
            let by_stick =
                |a: &StationMismatch, b: &StationMismatch| a.stick_pct.total_cmp(&b.stick_pct);
            stations.sort_by(by_stick);
        }
        for end in &mut correction.out_of_reach {
            let reference_pct = self.reference_stick_pct(end.stick_pct);
            end.stick_pct = self.follower_stick_pct(end.stick_pct);
            end.reference_stick_pct = (reference_pct != end.stick_pct).then_some(reference_pct);
        }
        if let Some([first, last]) = correction.measured_pct {
            let sticks = [first, last].map(|input| self.reference_stick_pct(input));
            let least = sticks[0].min(sticks[1]);
            correction.measured_pct = Some([least, sticks[0].max(sticks[1])]);
        }
        correction
    }
}

/// The follower's neutral above the reference's; that of the reference itself is level.
fn neutral_deg(responses: &Responses, names: Names<'_>) -> Option<Measured> {
    let level = responses.level.as_ref()?;
    if names.reference == names.follower {
        Some(Measured::new(0.0, 0.0))
    } else {
        level.between(names.reference, names.follower)
    }
}

fn share(responses: &Responses, group: &MatchGroup, surface: &str) -> Option<(f64, f64)> {
    let stations = &find(responses, surface)?.stations;
    let by_stick =
        |a: &&StationDeflection, b: &&StationDeflection| a.stick_pct.total_cmp(&b.stick_pct);
    let (low, high) = (
        stations.iter().min_by(by_stick)?,
        stations.iter().max_by(by_stick)?,
    );
    let sense = (high.deflection_deg.value - low.deflection_deg.value).signum();
    group.down_to_up.map(|down_to_up| (down_to_up, sense))
}

fn find<'a>(responses: &'a Responses, name: &str) -> Option<&'a Response> {
    let mut surfaces = responses.surfaces.iter();
    surfaces.find(|response| response.surface == name)
}

fn input_sign(radio: &Radio, surface: &str) -> f64 {
    if radio.reversed.contains(surface) {
        -1.0
    } else {
        1.0
    }
}

/// A response by other positions; `turned` where they fall as the stick rises.
fn by_input(response: &mut Response, turned: bool, input_pct: impl Fn(f64) -> f64) {
    for station in &mut response.stations {
        station.stick_pct = input_pct(station.stick_pct);
        station.approach = match station.approach {
            Approach::Rising if turned => Approach::Falling,
            Approach::Falling if turned => Approach::Rising,
            same => same,
        };
    }
    for stop in &mut response.health.early_stop {
        stop.stick_pct = input_pct(stop.stick_pct);
    }
}

fn negate(response: &mut Response) {
    let negated = |measured: Measured| Measured::new(-measured.value, measured.sd);
    for station in &mut response.stations {
        station.deflection_deg = negated(station.deflection_deg);
    }
    for stop in &mut response.health.early_stop {
        stop.deflection_deg = negated(stop.deflection_deg);
    }
}
