//! Causes and hand work, by known truth.

use hingewise::matching::{Cause, HandWork, LinkagePart};

use super::fleet::Aircraft;
use crate::matching::linkage::Side;
use crate::support::linkage::Linkage;
use crate::support::random::Random;

const AIRCRAFT: u64 = 240;
/// Angle between two teeth of the usual servo splines, deg (common practice, no source).
const SPLINE_DEG: f64 = 15.0;

/// A planar linkage, lengths in mm, angles clockwise.
#[derive(Clone, Copy)]
struct Plan {
    arm_mm: f64,
    horn_mm: f64,
    arm_deg: f64,
    horn_deg: f64,
    distance_mm: f64,
    turn_deg: f64,
}

impl Plan {
    fn random(random: &mut Random) -> Self {
        let arm_mm = random.between(10.0, 18.0);
        Self {
            arm_mm,
            horn_mm: arm_mm * random.between(1.1, 1.9),
            arm_deg: 5.0 * random.normal(),
            horn_deg: 5.0 * random.normal(),
            distance_mm: arm_mm * random.between(3.5, 8.0),
            turn_deg: random.between(40.0, 52.0),
        }
    }

    /// With all axes parallel the spatial linkage is a planar one.
    fn side(self) -> Option<Side> {
        let stand = |length: f64, deg: f64| {
            let angle = deg.to_radians();
            [length * angle.sin(), length * angle.cos(), 0.0]
        };
        let linkage = Linkage {
            arm_pivot: [0.0; 3],
            arm_axis: [0.0, 0.0, -1.0],
            arm: stand(self.arm_mm, self.arm_deg),
            horn_pivot: [self.distance_mm, 0.0, 0.0],
            horn_axis: [0.0, 0.0, -1.0],
            horn: stand(self.horn_mm, self.horn_deg),
        };
        Side::of(&linkage, self.turn_deg / 100.0)
    }

    /// Differs in one part, by an amount that a builder makes.
    fn differing(self, part: LinkagePart, random: &mut Random) -> Self {
        let sign = if random.happens(0.5) { 1.0 } else { -1.0 };
        let share = 1.0 + sign * random.between(0.04, 0.12);
        let angle_deg = sign * random.between(4.0, 15.0);
        match part {
            LinkagePart::HornLength => Self {
                horn_mm: share * self.horn_mm,
                ..self
            },
            LinkagePart::ServoTurn => Self {
                turn_deg: share * self.turn_deg,
                ..self
            },
            LinkagePart::ArmAngle => Self {
                arm_deg: self.arm_deg + angle_deg,
                ..self
            },
            LinkagePart::HornAngle => Self {
                horn_deg: self.horn_deg + angle_deg,
                ..self
            },
            LinkagePart::Distance => Self {
                distance_mm: share * self.distance_mm,
                ..self
            },
        }
    }

    /// After the work that is advised.
    fn worked_on(self, work: &HandWork, reference: Self) -> Self {
        let amount = work.difference.amount.value;
        match work.difference.part {
            LinkagePart::HornLength => Self {
                horn_mm: self.horn_mm / (1.0 + amount / 100.0),
                ..self
            },
            LinkagePart::ServoTurn => Self {
                turn_deg: reference.turn_deg,
                ..self
            },
            LinkagePart::ArmAngle => {
                let splines = (amount.abs() / SPLINE_DEG).round();
                let by_deg = if splines > 0.0 {
                    splines * SPLINE_DEG * amount.signum()
                } else {
                    amount
                };
                Self {
                    arm_deg: self.arm_deg - by_deg,
                    ..self
                }
            }
            LinkagePart::HornAngle => Self {
                horn_deg: self.horn_deg - amount,
                ..self
            },
            LinkagePart::Distance => self,
        }
    }
}

const PARTS: [LinkagePart; 4] = [
    LinkagePart::HornLength,
    LinkagePart::ServoTurn,
    LinkagePart::ArmAngle,
    LinkagePart::HornAngle,
];

#[test]
fn hand_work_leaves_no_more_than_told_and_single_causes_are_found() {
    let [
        mut singles,
        mut right,
        mut wrong,
        mut works,
        mut harmful,
        mut alike_told,
    ] = [0; 6];
    for seed in 0..AIRCRAFT {
        let mut random = Random::new(seed ^ 0xCA);
        let plan = Plan::random(&mut random);
        let count = seed % 3;
        let mut parts = PARTS.to_vec();
        let mut planted = Vec::new();
        let mut other = plan;
        for _ in 0..count {
            let part = parts.remove(random.below(parts.len()));
            other = other.differing(part, &mut random);
            planted.push(part);
        }
        let (Some(reference), Some(follower)) = (plan.side(), other.side()) else {
            continue;
        };
        let mut aircraft = Aircraft::of(reference, follower, 1.0, random);
        let nothing = aircraft.nothing();
        let correction = aircraft.round(&nothing);
        if count == 1 {
            singles += 1;
            match correction.cause.as_ref().unwrap() {
                Cause::Differs(told) | Cause::OneOf(told) => {
                    let holds = told.iter().any(|told| told.part == planted[0]);
                    right += u32::from(holds);
                    wrong += u32::from(!holds);
                }
                Cause::Alike | Cause::Unknown => {}
            }
        }
        alike_told += u32::from(count == 0 && correction.cause == Some(Cause::Alike));
        if let Some(work) = &correction.hand_work {
            works += 1;
            let Some(after) = other.worked_on(work, plan).side() else {
                continue;
            };
            aircraft.follower = after;
            let left_deg = aircraft.truth(&nothing).worst_deg;
            if left_deg > work.at_most_deg() {
                println!(
                    "{seed} {planted:?}: {:?} told {:.2}, leaves {left_deg:.2}",
                    work.difference,
                    work.at_most_deg()
                );
                harmful += 1;
            }
        }
    }
    println!(
        "single causes right {right} of {singles}, wrong {wrong}; alike told {alike_told} of 80; {works} \
         works advised, {harmful} leave more than told"
    );
    assert!(f64::from(right) >= 0.85 * f64::from(singles));
    assert!(works > 20);
    assert_eq!(harmful, 0);
}
