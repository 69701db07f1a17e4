//! The hinge lines, and the places of the tags about them, in synthetic films.

use super::{brief, measured};
use crate::support::aircraft;
use crate::support::filming;
use crate::support::rigid::{apply, dot, sub, times, turned, unit};
use crate::support::world::observe;

#[test]
fn finds_the_hinge_itself() {
    for seed in 0..6 {
        let film = observe(&aircraft::random(seed), &brief(filming::tripod(), seed));
        let (motion, _) = measured(&film).unwrap();
        for (found, built) in motion.surfaces.iter().zip(&film.aircraft.surfaces) {
            let truth = &built.hinge;
            let found_axis: [f64; 3] = found.axis_in_camera.into_inner().into();
            let cosine = dot(found_axis, truth.direction);
            assert!(cosine > 1.5_f64.to_radians().cos(), "seed {seed}: {cosine}");
            let radius = truth.distance_mm(built.tag.world_from_tag.translation);
            let miss = (found.radius_mm.value - radius).abs();
            assert!(
                miss < 5.0 * found.radius_mm.sd,
                "seed {seed}: {miss} {:?}",
                found.radius_mm
            );
            assert!(found.radius_mm.sd < 0.05 * radius);
        }
    }
}

#[test]
fn knows_on_which_side_of_its_hinge_a_tag_is() {
    for filming in [filming::tripod(), filming::handheld()] {
        for seed in 0..3 {
            let film = observe(&aircraft::random(seed), &brief(filming.clone(), seed));
            let (motion, _) = measured(&film).unwrap();
            let camera_from_world = film.truth.frames[0].camera_from_world;
            for (index, built) in film.aircraft.surfaces.iter().enumerate() {
                let hinge = &built.hinge;
                let to_tag = sub(built.tag.world_from_tag.translation, hinge.point_mm);
                let along = times(hinge.direction, dot(to_tag, hinge.direction));
                let angle_rad = film.truth.frames[0].deflection_deg[index].to_radians();
                let arm = turned(unit(sub(to_tag, along)), hinge.direction, angle_rad);
                let arm_in_camera = apply(&camera_from_world.rotation, arm);
                let seen = motion.frames[0].deflections[index].as_ref().unwrap();
                let found = motion.surfaces[index].arm_in_camera(seen.angle_rad);
                let cosine = dot(found.into_inner().into(), arm_in_camera);
                assert!(cosine > 1.5_f64.to_radians().cos(), "seed {seed}: {cosine}");
            }
        }
    }
}
