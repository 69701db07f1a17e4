//! Ailerons: up is compared with up, at the opposite stick position.

use hingewise::matching::Cause;
use hingewise::matching::match_groups;
use hingewise::model_file::{MatchGroup, MatchMotion, Radio, Target};

use super::fleet::{Aircraft, same_numbers};
use crate::matching::linkage::Side;
use crate::support::linkage::Linkage;
use crate::support::random::Random;

/// A linkage whose arm stands off square; the mirror image of it is on the other side.
fn off_square(arm_deg: f64, random: &mut Random) -> Side {
    let stand = |length: f64, deg: f64| {
        let angle = deg.to_radians();
        [length * angle.sin(), length * angle.cos(), 0.0]
    };
    let arm_mm = random.between(11.0, 16.0);
    let linkage = Linkage {
        arm_pivot: [0.0; 3],
        arm_axis: [0.0, 0.0, -1.0],
        arm: stand(arm_mm, arm_deg),
        horn_pivot: [random.between(60.0, 110.0), 0.0, 0.0],
        horn_axis: [0.0, 0.0, -1.0],
        horn: stand(random.between(1.1, 1.6) * arm_mm, 0.0),
    };
    Side::of(&linkage, 0.45).unwrap()
}

#[test]
fn mirrored_ailerons_are_alike_however_far_their_arms_are_off() {
    for target in [Target::Reference, Target::Smaller] {
        let (mut moved, mut other_causes, mut hand_works, mut all) = (0, 0, 0, 0);
        for seed in 0..64 {
            let mut random = Random::new(seed);
            let side = off_square(f64::from((seed % 16) as u32), &mut random);
            let mut aircraft = Aircraft::of(side.scaled(1.0), side, 1.0, random);
            aircraft.motion = MatchMotion::Opposite;
            let nothing = aircraft.nothing();
            let clip = aircraft.film(&nothing);
            let group = MatchGroup {
                target,
                ..aircraft.group()
            };
            let radio = Radio {
                active: Default::default(),
                ..aircraft.radio.clone()
            };
            let found = match_groups(&clip, &[group], Some(&radio), &mut Vec::new()).unwrap();
            for correction in &found {
                all += 1;
                moved += u32::from(!same_numbers(&correction.settings, &nothing));
                other_causes += u32::from(!matches!(correction.cause, None | Some(Cause::Alike)));
                hand_works += u32::from(correction.hand_work.is_some());
                let worst = correction.found_worst_deg.unwrap();
                assert!(worst.value < 0.25, "{target:?} {seed}: {}", worst.value);
            }
        }
        println!(
            "{target:?}: of {all} mirrored {moved} get numbers, {other_causes} causes, {hand_works} works by hand"
        );
        assert!(moved * 50 <= all && other_causes * 20 <= all && hand_works == 0);
    }
}
