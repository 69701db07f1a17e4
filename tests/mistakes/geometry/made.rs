//! How each mistake is made in a film.

use hingewise::camera::{Camera, CameraProfile};
use hingewise::measured::Measured;
use hingewise::model_file::{AirframeTag, Side};

use crate::support::world::Film;

/// Declares the right surface's tag as the airframe's, and the surface not at all.
pub fn airframe_on_right(film: &mut Film) {
    second_on_right(film);
    film.model.airframe_tags.remove(0);
}

pub fn second_on_right(film: &mut Film) {
    let right = film.model.surfaces.remove(1);
    film.aircraft.surfaces.truncate(1);
    film.model.matches.clear();
    film.model.airframe_tags.truncate(1);
    film.model.airframe_tags.push(AirframeTag {
        id: right.tag_id,
        edge_mm: right.edge_mm,
    });
}

pub fn first_on_right(film: &mut Film) {
    second_on_right(film);
    film.model.airframe_tags.reverse();
}

pub fn scale_focal(film: &mut Film, factor: f64) {
    film.profile.camera.fx *= factor;
    film.profile.camera.fy *= factor;
}

/// Focal length, centre and distortion of a lens that is 8 % wider.
pub fn other_phone(film: &mut Film) {
    let camera = &mut film.profile.camera;
    (camera.fx, camera.fy, camera.cx, camera.cy) = (1395.0, 1394.0, 948.0, 531.0);
    camera.distortion = [-0.05, 0.06, 0.0008, -0.0006, 0.0];
}

pub fn field_of_view(film: &mut Film, stated_deg: f64) {
    let (width_px, height_px) = (film.profile.width_px, film.profile.height_px);
    film.profile = CameraProfile::from_field_of_view(stated_deg, width_px, height_px).unwrap();
}

pub fn exchange_ids(film: &mut Film) {
    let [left, right] = &mut film.model.surfaces[..] else {
        panic!("two surfaces");
    };
    std::mem::swap(&mut left.tag_id, &mut right.tag_id);
}

pub fn exchange_sides(film: &mut Film) {
    for surface in &mut film.model.surfaces {
        surface.side = match surface.side {
            Side::Left => Side::Right,
            Side::Right => Side::Left,
            Side::Centre => Side::Centre,
        };
    }
}

/// Turns everything in the picture about the principal point, as a camera does that is upside down.
pub fn upside_down(film: &mut Film) {
    let camera = film.profile.camera;
    for frame in &mut film.sightings.frames {
        for corner in frame
            .sightings
            .iter_mut()
            .flat_map(|seen| &mut seen.corners_px)
        {
            corner.x = 2.0 * camera.cx - corner.x;
            corner.y = 2.0 * camera.cy - corner.y;
        }
        for landmark in &mut frame.landmarks {
            landmark.place_px.x = (2.0 * camera.cx) as f32 - landmark.place_px.x;
            landmark.place_px.y = (2.0 * camera.cy) as f32 - landmark.place_px.y;
        }
    }
}

/// Turns the picture clockwise by a quarter, and the lens with it.
pub fn on_its_side(film: &mut Film) {
    let (height_px, camera) = (film.profile.height_px as f64, film.profile.camera);
    let [k1, k2, p1, p2, k3] = camera.distortion;
    film.profile.camera = Camera {
        fx: camera.fy,
        fy: camera.fx,
        cx: height_px - 1.0 - camera.cy,
        cy: camera.cx,
        distortion: [k1, k2, p2, -p1, k3],
    };
    std::mem::swap(&mut film.profile.width_px, &mut film.profile.height_px);
    for frame in &mut film.sightings.frames {
        for corner in frame
            .sightings
            .iter_mut()
            .flat_map(|seen| &mut seen.corners_px)
        {
            (corner.x, corner.y) = (height_px - 1.0 - corner.y, corner.x);
        }
    }
}

pub fn short_ruler(film: &mut Film) {
    let built = &film.aircraft.surfaces[0];
    let true_mm = built
        .hinge
        .distance_mm(built.tag.world_from_tag.translation);
    film.model.surfaces[0].hinge_to_tag_mm = Some(Measured::new(true_mm - 15.0, 0.5));
}

pub fn long_edge(film: &mut Film) {
    film.model.surfaces[0].edge_mm *= 1.25;
}

pub fn slightly_long_edge(film: &mut Film) {
    film.model.surfaces[0].edge_mm *= 1.05;
}

pub fn slightly_long_airframe_edge(film: &mut Film) {
    film.model.airframe_tags.truncate(1);
    film.model.airframe_tags[0].edge_mm *= 1.03;
}

pub fn long_airframe_edge(film: &mut Film) {
    film.model.airframe_tags.truncate(1);
    film.model.airframe_tags[0].edge_mm *= 1.25;
}

pub fn no_airframe_tag(film: &mut Film) {
    film.model.airframe_tags.clear();
}
