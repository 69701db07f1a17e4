//! The synthetic world against tables from outside: it is the truth of other tests, so it has to
//! be right by itself.

#![allow(clippy::unwrap_used)]

use crate::support::linkage::Linkage;
use crate::support::rigid::{HingeLine, Pose, dot, sub};
use crate::support::{aircraft, filming, world};

/// Freudenstein's equation for the planar four-bar a 40, b 120, c 80, d 100 at 40°: output 57.33°,
/// crossed −98.01° (Norton, Design of Machinery; example from memory, recomputed 57.3249, −98.0050).
#[test]
fn a_planar_linkage_turns_as_freudensteins_equation_says() {
    let at = |deg: f64, length: f64| {
        let angle = f64::to_radians(deg);
        [length * angle.cos(), length * angle.sin(), 0.0]
    };
    // Assembled at the published solution for 40°, then turned away and back.
    let linkage = Linkage {
        arm_pivot: [0.0; 3],
        arm_axis: [0.0, 0.0, 1.0],
        arm: at(40.0, 40.0),
        horn_pivot: [100.0, 0.0, 0.0],
        horn_axis: [0.0, 0.0, 1.0],
        horn: at(57.3249, 80.0),
    };
    assert!((linkage.rod_length() - 120.0).abs() < 1e-3);
    let (k1, k2) = (100.0 / 40.0, 100.0 / 80.0);
    let k3 = (40.0_f64.powi(2) - 120.0_f64.powi(2) + 80.0_f64.powi(2) + 100.0_f64.powi(2))
        / (2.0 * 40.0 * 80.0);
    for servo_deg in [-30.0_f64, -10.0, 0.0, 15.0, 35.0] {
        let input = (40.0 + servo_deg).to_radians();
        let output = (57.3249 + linkage.output_deg(servo_deg).unwrap()).to_radians();
        let miss = k1 * output.cos() - k2 * input.cos() + k3 - (input - output).cos();
        assert!(miss.abs() < 1e-5, "{servo_deg}: {miss}");
    }
}

/// Spatial four-bar table: joints (0,0,0), (0,.5,0), (1,1,0), (1,0,0), output axis z, inputs −60
/// to 60 by 15 degrees (values recomputed with a root finder, independent of this closed form).
#[test]
fn a_spatial_linkage_agrees_with_the_table() {
    let planar = [
        -17.587954, -17.210777, -13.221345, -7.165914, 0.0, 7.671540, 15.430978, 22.960204,
        30.000000,
    ];
    let skewed = [
        -4.578890, -7.691001, -7.410207, -4.603238, 0.0, 5.839358, 12.463465, 19.471221, 26.480235,
    ];
    for (arm_axis, table) in [([0.0, 0.0, 1.0], planar), ([1.0, 0.0, 1.0], skewed)] {
        let linkage = Linkage {
            arm_pivot: [0.0; 3],
            arm_axis,
            arm: [0.0, 0.5, 0.0],
            horn_pivot: [1.0, 0.0, 0.0],
            horn_axis: [0.0, 0.0, 1.0],
            horn: [0.0, 1.0, 0.0],
        };
        for (index, expected) in table.iter().enumerate() {
            let servo_deg = -60.0 + 15.0 * index as f64;
            let output = linkage.output_deg(servo_deg).unwrap();
            assert!(
                (output - expected).abs() < 2e-6,
                "{servo_deg}: {output} {expected}"
            );
        }
    }
}

#[test]
fn a_linkage_binds_where_the_rod_cannot_reach() {
    let linkage = Linkage {
        arm_pivot: [0.0; 3],
        arm_axis: [0.0, 0.0, 1.0],
        arm: [0.0, 0.5, 0.0],
        horn_pivot: [1.0, 0.0, 0.0],
        horn_axis: [0.0, 0.0, 1.0],
        horn: [-0.3, 0.2, 0.0],
    };
    // With the arm turned away its end is 1.5 from the horn's pivot; rod and horn reach 1.12.
    assert!(linkage.output_deg(-20.0).is_some());
    assert_eq!(linkage.output_deg(90.0), None);
}

#[test]
fn a_positive_deflection_lifts_the_tag_in_the_picture_or_takes_it_left() {
    for seed in 0..20 {
        let built = aircraft::random(seed);
        for surface in &built.surfaces {
            let carried: Pose = surface
                .hinge
                .carried(&surface.tag.world_from_tag, 10.0_f64.to_radians());
            let moved = sub(carried.translation, surface.tag.world_from_tag.translation);
            let wanted = if surface.upright {
                -moved[0]
            } else {
                -moved[1]
            };
            assert!(wanted > 0.0, "seed {seed}");
            let line: HingeLine = surface.hinge;
            let radius = line.distance_mm(carried.translation);
            assert!((radius - 0.93 * surface.chord_mm).abs() < 1e-9);
            assert!((dot(line.direction, line.direction) - 1.0).abs() < 1e-12);
            let up = surface.response_deg(100.0).unwrap();
            assert!(up > 5.0 && surface.response_deg(-100.0).unwrap() < -5.0);
        }
    }
}

#[test]
fn a_film_shows_every_tag_and_repeats_with_its_seed() {
    let film = world::observe(&aircraft::plain(3), &filming::handheld());
    let again = world::observe(&aircraft::plain(3), &filming::handheld());
    assert_eq!(film.sightings, again.sightings);
    assert!(film.sightings.frames.len() > 300);
    assert!(
        film.sightings
            .frames
            .iter()
            .all(|frame| frame.sightings.len() == 3)
    );
    assert_eq!(film.truth.holds.len(), 17);
    let up = film
        .truth
        .deflection_from_neutral_deg(0, &film.truth.holds[4].frames);
    assert!((15.0..40.0).contains(&up), "{up}");
}
