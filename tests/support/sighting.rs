//! What the camera sees of the tags: true corners, then their errors, then spoilt sightings.

use std::collections::BTreeMap;

use hingewise::tags::{CornerCovariance, SightedFrame, Sighting};
use nalgebra::{Point2, SVector, Vector2};

use super::aircraft::{Aircraft, WorldTag};
use super::bent_paper::outline;
use super::filming::{CornerNoise, Filming};
use super::hand_path::HandPath;
use super::random::Random;
use super::rigid::Pose;
use super::world::{Corners, TrueFrame, Truth, corners_in_tag};

/// Errors that last while a tag rests are drawn anew when it moved by this.
const REST_PX: f64 = 0.3;

/// Sights every frame, and writes the true corners down.
pub(super) fn sight(
    aircraft: &Aircraft,
    filming: &Filming,
    path: &HandPath,
    mut truth: Truth,
) -> (Truth, Vec<SightedFrame>) {
    let mut random = Random::new(filming.seed ^ 0x51_6817);
    let mut lasting: BTreeMap<u32, Lasting> = BTreeMap::new();
    let mut constant: BTreeMap<u32, SVector<f64, 8>> = BTreeMap::new();
    // Streams of their own, so that films without these errors stay what they are.
    let mut random_constant = Random::new(filming.seed ^ 0xC0_257A);
    let mut random_place = Random::new(filming.seed ^ 0x91_ACE5);
    let mut frames = Vec::with_capacity(truth.frames.len());
    for (index, frame) in truth.frames.iter_mut().enumerate() {
        frame.corners_px = seen_corners(aircraft, filming, path, frame);
        let mut sightings = vec![];
        for (tag_id, corners) in &frame.corners_px {
            let held = lasting.entry(*tag_id).or_insert_with(|| {
                Lasting::new(corners, filming.noise, &mut random, &mut random_place)
            });
            held.refresh(corners, filming.noise, &mut random, &mut random_place);
            let mut sighting = noisy(*tag_id, corners, filming.noise, held, &mut random);
            let constant = constant.entry(*tag_id).or_insert_with(|| {
                filming.noise.constant_px * SVector::from_fn(|_, _| random_constant.normal())
            });
            for (index, corner) in sighting.corners_px.iter_mut().enumerate() {
                corner.coords += constant.fixed_rows::<2>(2 * index);
            }
            sightings.push(sighting);
        }
        spoil(aircraft, filming, frame, &mut sightings, &mut random);
        frames.push(SightedFrame {
            index,
            time_s: frame.time_s,
            sightings,
            dropped: vec![],
            landmarks: vec![],
        });
    }
    (truth, frames)
}

/// Corners as the camera sees them: each where it is when its own line is read.
fn seen_corners(
    aircraft: &Aircraft,
    filming: &Filming,
    path: &HandPath,
    frame: &TrueFrame,
) -> BTreeMap<u32, Corners> {
    let at_once = true_corners(aircraft, filming, frame);
    if filming.readout_s == 0.0 {
        return at_once;
    }
    let when_read = |tag_id: u32, corner: usize| {
        let mut seen = at_once[&tag_id][corner];
        // Motion is slow against the readout: the place and its time settle at once.
        for _ in 0..4 {
            let late_s = filming.late_s(seen);
            let rates = frame.deflection_deg.iter().zip(&frame.deflection_deg_per_s);
            let then = TrueFrame {
                deflection_deg: rates.map(|(at, rate)| at + rate * late_s).collect(),
                camera_from_world: path.camera_from_world(frame.time_s + late_s),
                ..frame.clone()
            };
            let corners = true_corners(aircraft, filming, &then);
            seen = corners.get(&tag_id).map_or(seen, |corners| corners[corner]);
        }
        seen
    };
    let tags = at_once.keys();
    tags.map(|id| (*id, std::array::from_fn(|corner| when_read(*id, corner))))
        .collect()
}

fn true_corners(
    aircraft: &Aircraft,
    filming: &Filming,
    frame: &TrueFrame,
) -> BTreeMap<u32, Corners> {
    let seen = |tag: &WorldTag, world_from_tag: &Pose| -> Option<(u32, Corners)> {
        let camera_from_tag = frame.camera_from_world.after(world_from_tag);
        let corners = if tag.bend_radius_mm > 0.0 {
            outline(
                &filming.lens,
                &camera_from_tag,
                tag.edge_mm,
                tag.bend_radius_mm,
            )
        } else {
            corners_in_tag(tag.edge_mm)
                .map(|corner| filming.lens.project(camera_from_tag.point(corner)))
        };
        let inside = corners.iter().all(|[x, y]| {
            *x > 4.0
                && *y > 4.0
                && *x < filming.lens.width_px as f64 - 5.0
                && *y < filming.lens.height_px as f64 - 5.0
        });
        inside.then_some((tag.id, corners))
    };
    let still = aircraft
        .airframe_tags
        .iter()
        .filter_map(|tag| seen(tag, &tag.world_from_tag));
    let moving = aircraft
        .surfaces
        .iter()
        .zip(&frame.deflection_deg)
        .filter_map(|(surface, deflection_deg)| {
            let carried = surface
                .hinge
                .carried(&surface.tag.world_from_tag, deflection_deg.to_radians());
            seen(&surface.tag, &carried)
        });
    still.chain(moving).collect()
}

/// An error that stays while a tag rests in the picture.
struct Lasting {
    error: SVector<f64, 8>,
    /// Of the whole outline, px.
    place: Vector2<f64>,
    drawn_at: Corners,
}

impl Lasting {
    fn new(
        corners: &Corners,
        noise: CornerNoise,
        random: &mut Random,
        random_place: &mut Random,
    ) -> Self {
        Self {
            error: correlated(noise, random),
            place: noise.place_px * Vector2::from_fn(|_, _| random_place.normal()),
            drawn_at: *corners,
        }
    }

    fn refresh(
        &mut self,
        corners: &Corners,
        noise: CornerNoise,
        random: &mut Random,
        random_place: &mut Random,
    ) {
        let moved = corners
            .iter()
            .zip(&self.drawn_at)
            .map(|(now, then)| (now[0] - then[0]).hypot(now[1] - then[1]))
            .fold(0.0, f64::max);
        if moved > REST_PX {
            *self = Self::new(corners, noise, random, random_place);
        }
    }
}

/// A draw with variance 1 a coordinate and the noise's common share.
fn correlated(noise: CornerNoise, random: &mut Random) -> SVector<f64, 8> {
    let common = [random.normal(), random.normal()];
    SVector::from_fn(|row, _| {
        noise.common_share.sqrt() * common[row % 2]
            + (1.0 - noise.common_share).sqrt() * random.normal()
    })
}

fn noisy(
    tag_id: u32,
    corners: &Corners,
    noise: CornerNoise,
    lasting: &Lasting,
    random: &mut Random,
) -> Sighting {
    let sd_px = noise.sd_px * random.between(0.8, 1.25);
    let error = sd_px
        * (correlated(noise, random) * (1.0 - noise.lasting_share).sqrt()
            + lasting.error * noise.lasting_share.sqrt());
    let shifted = with_edges_moved(corners, noise.edge_shift_px);
    let declared = sd_px * sd_px * noise.declared_variance_factor;
    Sighting {
        tag_id,
        corners_px: std::array::from_fn(|i| {
            Point2::new(
                shifted[i][0] + error[2 * i] + lasting.place.x,
                shifted[i][1] + error[2 * i + 1] + lasting.place.y,
            )
        }),
        covariance_px2: CornerCovariance::from_fn(|row, column| {
            let same = if row == column { 1.0 } else { 0.0 };
            let axis = if row % 2 == column % 2 { 1.0 } else { 0.0 };
            (declared * ((1.0 - noise.common_share) * same + noise.common_share * axis)) as f32
        }),
    }
}

/// Every edge of the quadrilateral moved outward along its own normal; corners where they meet.
pub fn with_edges_moved(corners: &Corners, outward_px: f64) -> Corners {
    let line = |from: [f64; 2], to: [f64; 2]| {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy);
        // Corners run clockwise in the picture (y down): the outside lies to the left of the way.
        let normal = [dy / length, -dx / length];
        (
            normal,
            normal[0] * from[0] + normal[1] * from[1] + outward_px,
        )
    };
    std::array::from_fn(|i| {
        let (n, c) = line(corners[(i + 3) % 4], corners[i]);
        let (m, d) = line(corners[i], corners[(i + 1) % 4]);
        let det = n[0] * m[1] - n[1] * m[0];
        [(c * m[1] - d * n[1]) / det, (n[0] * d - m[0] * c) / det]
    })
}

fn spoil(
    aircraft: &Aircraft,
    filming: &Filming,
    frame: &mut TrueFrame,
    sightings: &mut [Sighting],
    random: &mut Random,
) {
    let kept: Vec<[Point2<f64>; 4]> = sightings.iter().map(|s| s.corners_px).collect();
    for index in 0..sightings.len() {
        let tag_id = sightings[index].tag_id;
        let on_airframe = aircraft.airframe_tags.iter().any(|tag| tag.id == tag_id);
        let share = if on_airframe {
            filming.outliers.airframe_share
        } else {
            filming.outliers.surface_share
        };
        if !random.happens(share) {
            continue;
        }
        frame.spoilt.insert(tag_id);
        let corners = &mut sightings[index].corners_px;
        match random.below(4) {
            0 => {
                let turn = 1 + random.below(3);
                corners.rotate_left(turn);
            }
            1 => *corners = kept[(index + 1) % kept.len()],
            2 => {
                let (dx, dy) = (random.between(1.5, 6.0), random.between(-6.0, -1.5));
                let corner = random.below(4);
                corners[corner] += nalgebra::Vector2::new(dx, dy);
            }
            _ => corners.iter_mut().for_each(|corner| {
                corner.x += 12.0 * random.normal();
                corner.y += 12.0 * random.normal();
            }),
        }
        if kept.len() == 1 {
            sightings[index].corners_px[0].x += 9.0;
        }
    }
}
