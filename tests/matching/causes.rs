//! Planted differences between two linkages are found, or said to be beyond telling.

use hingewise::matching::{Cause, Correction, LinkageDifference, LinkagePart};
use hingewise::model_file::{Joins, MatchMotion};

use super::linkage::Side;
use super::world::{
    FOLLOWER, Measuring, REFERENCE, ROUND_25, even_points, group, match_group, measured, radio,
    responses,
};
use crate::support::linkage::Linkage;
use crate::support::random::Random;

const AIRCRAFT: u64 = 40;

/// What makes a planar linkage, lengths in mm.
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
            arm_deg: 6.0 * random.normal(),
            horn_deg: 6.0 * random.normal(),
            distance_mm: arm_mm * random.between(3.5, 8.0),
            turn_deg: random.between(40.0, 54.0),
        }
    }

    /// With all axes parallel the spatial linkage is a planar one. Angles count clockwise.
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
}

/// Matches a follower that differs from its reference as `planted` says.
fn planted(seed: u64, planted: impl Fn(Plan) -> Plan) -> Option<Correction> {
    let mut random = Random::new(seed);
    let plan = Plan::random(&mut random);
    let reference = plan.side()?;
    let follower = planted(plan).side()?;
    let left = measured(REFERENCE, &ROUND_25, &Measuring::TRIPOD, &mut random, |s| {
        reference.deg(s)
    });
    let right = measured(FOLLOWER, &ROUND_25, &Measuring::TRIPOD, &mut random, |s| {
        follower.deg(s)
    });
    let radio = radio(&even_points(9), 1.0, Joins::Straight);
    let all = responses(vec![left, right]);
    let group = group(MatchMotion::Same);
    match_group(&all, &group, Some(&radio), &mut Vec::new())
        .unwrap()
        .pop()
}

/// How often a planted difference was found inside its ±, alone or among others as good, and
/// how often something else was told.
fn count(part: LinkagePart, amount: f64, plant: impl Fn(Plan) -> Plan) -> [u32; 4] {
    let [mut alone, mut among, mut other, mut all] = [0; 4];
    for seed in 0..AIRCRAFT {
        let Some(correction) = planted(seed, &plant) else {
            continue;
        };
        all += 1;
        let holds = |differences: &[LinkageDifference]| {
            differences.iter().any(|difference| {
                let apart = (difference.amount.value - amount).abs();
                difference.part == part && apart <= difference.amount.u()
            })
        };
        match correction.cause.unwrap() {
            Cause::Differs(told) if holds(&told) => alone += 1,
            Cause::OneOf(told) if holds(&told) => among += 1,
            Cause::Unknown => {}
            told => {
                println!("{told:?}");
                other += 1;
            }
        }
    }
    println!("{part:?} {amount}: alone {alone}, among {among}, other {other}, of {all}");
    [alone, among, other, all]
}

/// Found inside its ±, alone or among others as good, and hardly ever taken for something else:
/// a k = 2 interval misses one time in twenty.
fn assert_found([alone, among, other, all]: [u32; 4]) {
    assert!(all >= 30);
    assert!(f64::from(alone + among) >= 0.9 * f64::from(all));
    assert!(f64::from(other) <= 0.1 * f64::from(all));
}

#[test]
fn an_arm_four_degrees_off_is_found() {
    assert_found(count(LinkagePart::ArmAngle, 4.0, |plan| Plan {
        arm_deg: plan.arm_deg + 4.0,
        ..plan
    }));
}

#[test]
fn a_horn_six_percent_short_is_found() {
    assert_found(count(LinkagePart::HornLength, -6.0, |plan| Plan {
        horn_mm: 0.94 * plan.horn_mm,
        ..plan
    }));
}

#[test]
fn sides_that_are_alike_have_no_cause() {
    let told = (0..AIRCRAFT)
        .filter_map(|seed| planted(seed, |plan| plan))
        .filter(|correction| correction.cause != Some(Cause::Alike))
        .count();
    println!("{told} causes told of sides that are alike");
    assert!(told * 20 <= AIRCRAFT as usize);
}

#[test]
fn an_arm_a_spline_off_is_told_to_be_set_back_first() {
    let (mut advised, mut all) = (0, 0);
    for seed in 0..AIRCRAFT {
        let Some(correction) = planted(seed, |plan| Plan {
            arm_deg: plan.arm_deg + 14.4,
            ..plan
        }) else {
            continue;
        };
        all += 1;
        if let Some(work) = &correction.hand_work {
            assert!(work.text(FOLLOWER).contains("one spline"));
            assert!(work.would_leave_deg < 0.5 * correction.stages[0].worst_deg);
            advised += 1;
        }
    }
    println!("advised {advised} of {all}");
    assert!(advised * 2 > all);
}
