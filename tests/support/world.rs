//! Films an invented aircraft at the level of tag corners: what the program gets, and what was.

use std::collections::{BTreeMap, BTreeSet};

use hingewise::camera::{Camera, CameraProfile};
use hingewise::clip::{ClipInfo, Levels};
use hingewise::model_file::{
    AirframeTag, Joins, MatchGroup, MatchMotion, ModelFile, Radio, StationSource, Stations, Surface,
};
use hingewise::tags::{CornerCovariance, SightedFrame, Sighting, Sightings};
use nalgebra::{Point2, SVector};

use super::aircraft::{Aircraft, WorldTag};
use super::filming::{CornerNoise, Filming, StickPlan};
use super::random::Random;
use super::rigid::{Pose, turn_by_vector};
use super::servo::after_play;

pub type Corners = [[f64; 2]; 4];

/// Time steps of the servo in one frame.
const STEPS_A_FRAME: usize = 12;
/// A hold counts as settled this long after its ramp.
const SETTLING_S: f64 = 0.2;
/// Errors that last while a tag rests are drawn anew when it moved by this.
const REST_PX: f64 = 0.3;

/// What really was in one frame.
#[derive(Debug, Clone)]
pub struct TrueFrame {
    pub time_s: f64,
    pub stick_pct: f64,
    /// By surface, from the linkage's zero.
    pub deflection_deg: Vec<f64>,
    pub camera_from_world: Pose,
    /// Without noise, by tag id.
    pub corners_px: BTreeMap<u32, Corners>,
    /// Tags whose sighting was spoilt.
    pub spoilt: BTreeSet<u32>,
}

/// A hold with its settled frames.
#[derive(Debug, Clone)]
pub struct TrueHold {
    pub stick_pct: f64,
    pub frames: Vec<usize>,
}

#[derive(Debug, Clone)]
pub struct Truth {
    pub frames: Vec<TrueFrame>,
    pub holds: Vec<TrueHold>,
}

impl Truth {
    /// All settled frames at stick 0; with a sweep the first frame.
    pub fn neutral_frames(&self) -> Vec<usize> {
        let at_zero = self.holds.iter().filter(|hold| hold.stick_pct == 0.0);
        let frames: Vec<usize> = at_zero.flat_map(|hold| hold.frames.clone()).collect();
        if frames.is_empty() { vec![0] } else { frames }
    }

    /// Mean true deflection over some frames.
    pub fn mean_deg(&self, surface: usize, frames: &[usize]) -> f64 {
        let sum: f64 = frames
            .iter()
            .map(|frame| self.frames[*frame].deflection_deg[surface])
            .sum();
        sum / frames.len() as f64
    }

    /// Mean true deflection over some frames, from neutral.
    pub fn deflection_from_neutral_deg(&self, surface: usize, frames: &[usize]) -> f64 {
        self.mean_deg(surface, frames) - self.mean_deg(surface, &self.neutral_frames())
    }
}

/// A synthetic clip: what the program gets, and what was.
#[derive(Debug, Clone)]
pub struct Film {
    pub sightings: Sightings,
    pub model: ModelFile,
    pub profile: CameraProfile,
    pub truth: Truth,
    pub aircraft: Aircraft,
    pub filming: Filming,
}

/// Corners of a tag in its own frame: top-left, top-right, bottom-right, bottom-left.
pub fn corners_in_tag(edge_mm: f64) -> [[f64; 3]; 4] {
    let half = 0.5 * edge_mm;
    [
        [-half, half, 0.0],
        [half, half, 0.0],
        [half, -half, 0.0],
        [-half, -half, 0.0],
    ]
}

/// Moves and films an aircraft.
pub fn observe(aircraft: &Aircraft, filming: &Filming) -> Film {
    let truth = act(aircraft, filming);
    let (truth, frames) = sight(aircraft, filming, truth);
    Film {
        sightings: Sightings {
            clip: ClipInfo {
                path: "synthetic.mp4".into(),
                width_px: filming.lens.width_px,
                height_px: filming.lens.height_px,
                levels: Levels {
                    black: 16,
                    white: 235,
                },
                claimed_frames: None,
            },
            frames,
        },
        model: declare(aircraft, filming),
        profile: CameraProfile {
            name: "synthetic".into(),
            width_px: filming.lens.width_px,
            height_px: filming.lens.height_px,
            camera: Camera::from_intrinsics(&SVector::from(filming.lens.intrinsics)),
            covariance: None,
            rms_px: None,
            views: None,
        },
        truth,
        aircraft: aircraft.clone(),
        filming: filming.clone(),
    }
}

/// The motion: stick, servos, linkages, play, shake and the camera's path.
fn act(aircraft: &Aircraft, filming: &Filming) -> Truth {
    let mut random = Random::new(filming.seed ^ 0x0AC7);
    let path = HandPath::new(filming.hand, &mut random);
    let step_s = 1.0 / (filming.frame_rate * STEPS_A_FRAME as f64);
    let count = (filming.stick.duration_s() * filming.frame_rate).floor() as usize;
    let mut shaft_pct = vec![0.0; aircraft.surfaces.len()];
    let mut rests_deg = vec![0.0; aircraft.surfaces.len()];
    let phases: Vec<f64> = (0..aircraft.surfaces.len())
        .map(|_| random.between(0.0, 6.0))
        .collect();
    let mut frames = Vec::with_capacity(count);
    for index in 0..count {
        let time_s = index as f64 / filming.frame_rate;
        for sub_step in 0..STEPS_A_FRAME {
            let now_s = time_s + (sub_step as f64 + 1.0 - STEPS_A_FRAME as f64) * step_s;
            let stick_pct = filming.stick.stick_pct(now_s.max(0.0));
            for (surface, built) in aircraft.surfaces.iter().enumerate() {
                let command_pct = filming.command_pct(built.side, stick_pct);
                shaft_pct[surface] = built
                    .servo
                    .next_pct(shaft_pct[surface], command_pct, step_s);
                let driven = built.response_deg(shaft_pct[surface]).unwrap();
                rests_deg[surface] = after_play(rests_deg[surface], driven, built.play_deg);
            }
        }
        let shaken = rests_deg
            .iter()
            .zip(&phases)
            .map(|(rest, phase)| rest + filming.shake_deg * (2.1 * time_s + phase).sin());
        frames.push(TrueFrame {
            time_s,
            stick_pct: filming.stick.stick_pct(time_s),
            deflection_deg: shaken.collect(),
            camera_from_world: path.camera_from_world(time_s),
            corners_px: BTreeMap::new(),
            spoilt: BTreeSet::new(),
        });
    }
    let holds = holds_of(&filming.stick, &frames);
    Truth { frames, holds }
}

fn holds_of(plan: &StickPlan, frames: &[TrueFrame]) -> Vec<TrueHold> {
    let StickPlan::Holds {
        stations_pct,
        hold_s,
        ramp_s,
    } = plan
    else {
        return vec![];
    };
    stations_pct
        .iter()
        .enumerate()
        .map(|(index, stick_pct)| {
            let from_s = index as f64 * (hold_s + ramp_s);
            let settled = |time_s: f64| time_s >= from_s + SETTLING_S && time_s <= from_s + hold_s;
            TrueHold {
                stick_pct: *stick_pct,
                frames: (0..frames.len())
                    .filter(|frame| settled(frames[*frame].time_s))
                    .collect(),
            }
        })
        .collect()
}

impl Filming {
    /// The command at a servo: the stick, and on the right side the curve's straight joins.
    pub fn command_pct(&self, side: hingewise::model_file::Side, stick_pct: f64) -> f64 {
        if side != hingewise::model_file::Side::Right || self.right_curve_pct.is_empty() {
            return stick_pct;
        }
        let points = &self.right_curve_pct;
        let after = points
            .iter()
            .position(|(at, _)| *at >= stick_pct)
            .unwrap_or(points.len() - 1)
            .max(1);
        let ((x0, y0), (x1, y1)) = (points[after - 1], points[after]);
        stick_pct + y0 + (y1 - y0) * (stick_pct - x0) / (x1 - x0)
    }
}

/// A calm hand's path: a few slow waves in each direction.
struct HandPath {
    /// Amplitude, frequency (rad/s), phase: three waves for each of six directions.
    waves: Vec<[[f64; 3]; 3]>,
}

impl HandPath {
    fn new(size: f64, random: &mut Random) -> Self {
        let waves = (0..6)
            .map(|direction| {
                let amplitude = if direction < 3 { 14.0 } else { 0.020 };
                [(0.5, 0.6), (1.4, 0.35), (4.0, 0.08)].map(|(rate, share)| {
                    [
                        size * amplitude * share * random.between(0.6, 1.4),
                        rate * random.between(0.7, 1.4),
                        random.between(0.0, std::f64::consts::TAU),
                    ]
                })
            })
            .collect();
        Self { waves }
    }

    fn camera_from_world(&self, time_s: f64) -> Pose {
        let moved: Vec<f64> = self
            .waves
            .iter()
            .map(|waves| {
                waves
                    .iter()
                    .map(|[a, w, p]| a * (w * time_s + p).sin())
                    .sum()
            })
            .collect();
        // The hand turns the camera about the aircraft's middle, so that it stays in the picture.
        let rotation = turn_by_vector([moved[3], moved[4], moved[5]]);
        let middle = [0.0, 0.0, 800.0];
        let turned = super::rigid::apply(&rotation, middle);
        Pose {
            rotation,
            translation: std::array::from_fn(|i| middle[i] - turned[i] + moved[i]),
        }
    }
}

/// The filming: true corners, then noise, then spoilt sightings.
fn sight(aircraft: &Aircraft, filming: &Filming, mut truth: Truth) -> (Truth, Vec<SightedFrame>) {
    let mut random = Random::new(filming.seed ^ 0x51_6817);
    let mut lasting: BTreeMap<u32, Lasting> = BTreeMap::new();
    let mut constant: BTreeMap<u32, SVector<f64, 8>> = BTreeMap::new();
    let mut random_constant = Random::new(filming.seed ^ 0xC0_257A);
    let mut frames = Vec::with_capacity(truth.frames.len());
    for (index, frame) in truth.frames.iter_mut().enumerate() {
        frame.corners_px = true_corners(aircraft, filming, frame);
        let mut sightings = vec![];
        for (tag_id, corners) in &frame.corners_px {
            let held = lasting
                .entry(*tag_id)
                .or_insert_with(|| Lasting::new(corners, filming.noise, &mut random));
            held.refresh(corners, filming.noise, &mut random);
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
        });
    }
    (truth, frames)
}

fn true_corners(
    aircraft: &Aircraft,
    filming: &Filming,
    frame: &TrueFrame,
) -> BTreeMap<u32, Corners> {
    let seen = |tag: &WorldTag, world_from_tag: &Pose| -> Option<(u32, Corners)> {
        let camera_from_tag = frame.camera_from_world.after(world_from_tag);
        let corners = corners_in_tag(tag.edge_mm)
            .map(|corner| filming.lens.project(camera_from_tag.point(corner)));
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
    drawn_at: Corners,
}

impl Lasting {
    fn new(corners: &Corners, noise: CornerNoise, random: &mut Random) -> Self {
        Self {
            error: correlated(noise, random),
            drawn_at: *corners,
        }
    }

    fn refresh(&mut self, corners: &Corners, noise: CornerNoise, random: &mut Random) {
        let moved = corners
            .iter()
            .zip(&self.drawn_at)
            .map(|(now, then)| (now[0] - then[0]).hypot(now[1] - then[1]))
            .fold(0.0, f64::max);
        if moved > REST_PX {
            *self = Self::new(corners, noise, random);
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
                shifted[i][0] + error[2 * i],
                shifted[i][1] + error[2 * i + 1],
            )
        }),
        covariance_px2: CornerCovariance::from_fn(|row, column| {
            let same = if row == column { 1.0 } else { 0.0 };
            let axis = if row % 2 == column % 2 { 1.0 } else { 0.0 };
            declared * ((1.0 - noise.common_share) * same + noise.common_share * axis)
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

/// The model file that goes with the aircraft.
fn declare(aircraft: &Aircraft, filming: &Filming) -> ModelFile {
    let names: Vec<String> = aircraft.surfaces.iter().map(|s| s.name.clone()).collect();
    let matches = match names.split_first() {
        Some((reference, followers)) if !followers.is_empty() => vec![MatchGroup {
            reference: reference.clone(),
            followers: followers.to_vec(),
            motion: MatchMotion::Same,
            tolerance_deg: 0.3,
            target: hingewise::model_file::Target::Reference,
            down_to_up: None,
        }],
        _ => vec![],
    };
    let order = match &filming.stick {
        StickPlan::Holds { stations_pct, .. } => stations_pct.clone(),
        StickPlan::Sweep { .. } | StickPlan::Path { .. } => vec![],
    };
    ModelFile {
        path: "synthetic.toml".into(),
        name: aircraft.name.clone(),
        airframe_tags: aircraft
            .airframe_tags
            .iter()
            .map(|tag| AirframeTag {
                id: tag.id,
                edge_mm: tag.edge_mm,
            })
            .collect(),
        surfaces: aircraft
            .surfaces
            .iter()
            .map(|surface| Surface {
                name: surface.name.clone(),
                side: surface.side,
                tag_id: surface.tag.id,
                edge_mm: surface.tag.edge_mm,
                chord_mm: Some(surface.chord_mm),
                hinge_to_tag_mm: None,
                upright: surface.upright,
            })
            .collect(),
        matches,
        stations: Stations {
            source: StationSource::Order(order),
            neutral_time_s: None,
        },
        radio: Some(Radio {
            curve_points_pct: Some((-4..=4).map(|step| f64::from(step) * 25.0).collect()),
            step_pct: 1.0,
            limit_pct: 150.0,
            joins: Joins::Straight,
            us_per_pct: None,
            active: BTreeMap::new(),
        }),
    }
}
