//! Invented aircraft: surfaces with their hinges, tags, servos and linkages.
//!
//! The world's axes are those of a camera behind the aircraft: x right, y down, z forward, mm.

use hingewise::model_file::Side;

use super::linkage::Linkage;
use super::random::Random;
use super::rigid::{HingeLine, Mat3, Pose, Vec3, add, cross, product, times, turn, unit};
use super::servo::Servo;

#[derive(Debug, Clone, PartialEq)]
pub struct WorldTag {
    pub id: u32,
    pub edge_mm: f64,
    pub world_from_tag: Pose,
    /// Of the drum that the paper's columns lie round; 0 for flat paper.
    pub bend_radius_mm: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct WorldSurface {
    pub name: String,
    pub side: Side,
    pub upright: bool,
    pub hinge: HingeLine,
    pub chord_mm: f64,
    /// With the linkage at zero.
    pub tag: WorldTag,
    pub linkage: Linkage,
    pub servo: Servo,
    pub play_deg: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Aircraft {
    pub name: String,
    pub surfaces: Vec<WorldSurface>,
    pub airframe_tags: Vec<WorldTag>,
}

impl WorldSurface {
    /// Deflection for a value that reaches the servo, at rest, without play; `None` if it binds.
    pub fn response_deg(&self, command_pct: f64) -> Option<f64> {
        let held = command_pct.clamp(-self.servo.stop_pct, self.servo.stop_pct);
        let servo_deg = self.servo.deg_at_100 * held / 100.0;
        self.linkage.output_deg(servo_deg)
    }
}

/// A tag that looks at the camera, turned by yaw, pitch and roll about its own axes.
pub fn facing(at_mm: Vec3, yaw_deg: f64, pitch_deg: f64, roll_deg: f64) -> Pose {
    let square_on: Mat3 = [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]];
    let turns = [
        ([0.0, 1.0, 0.0], yaw_deg),
        ([1.0, 0.0, 0.0], pitch_deg),
        ([0.0, 0.0, 1.0], roll_deg),
    ];
    let rotation = turns.iter().fold(square_on, |m, (axis, deg)| {
        product(&m, &turn(*axis, deg.to_radians()))
    });
    Pose {
        rotation,
        translation: at_mm,
    }
}

/// What a surface is made from.
#[derive(Debug, Clone, Copy)]
pub struct SurfaceSpec {
    pub side: Side,
    pub upright: bool,
    pub tag_id: u32,
    pub tag_edge_mm: f64,
    /// Middle of the hinge line.
    pub hinge_at_mm: Vec3,
    /// Hinge line turned in the surface's plane, and out of it.
    pub sweep_deg: f64,
    pub rake_deg: f64,
    pub chord_mm: f64,
    /// Lean of the tag from square-on, about a line along the hinge; and about its upright.
    pub lean_deg: f64,
    pub yaw_deg: f64,
    pub travel_deg: f64,
}

impl SurfaceSpec {
    pub fn plain(side: Side) -> Self {
        let sign = if side == Side::Left { -1.0 } else { 1.0 };
        Self {
            side,
            upright: false,
            tag_id: if side == Side::Left { 10 } else { 11 },
            tag_edge_mm: 20.0,
            hinge_at_mm: [sign * 170.0, 5.0, 860.0],
            sweep_deg: sign * 4.0,
            rake_deg: sign * 2.0,
            chord_mm: 62.0,
            lean_deg: 18.0,
            yaw_deg: sign * -6.0,
            travel_deg: 26.0,
        }
    }
}

/// Builds a surface with a linkage of the given unevenness (0: tidy; 1: crossed and skewed).
pub fn surface(spec: &SurfaceSpec, unevenness: f64, random: &mut Random) -> WorldSurface {
    let along: Vec3 = if spec.upright {
        [0.0, 1.0, 0.0]
    } else {
        [-1.0, 0.0, 0.0]
    };
    let up = if spec.upright {
        [-1.0, 0.0, 0.0]
    } else {
        [0.0, -1.0, 0.0]
    };
    let swept = product(
        &turn([0.0, 0.0, 1.0], spec.rake_deg.to_radians()),
        &turn(up, spec.sweep_deg.to_radians()),
    );
    let direction = unit(super::rigid::apply(&swept, along));
    let hinge = HingeLine {
        point_mm: spec.hinge_at_mm,
        direction,
    };
    let to_edge = unit(cross(up, direction));
    let to_edge = if to_edge[2] > 0.0 {
        times(to_edge, -1.0)
    } else {
        to_edge
    };
    let tag_at = add(spec.hinge_at_mm, times(to_edge, 0.93 * spec.chord_mm));
    let (yaw, pitch) = if spec.upright {
        (spec.lean_deg, spec.yaw_deg)
    } else {
        (spec.yaw_deg, spec.lean_deg)
    };
    let roll_deg = random.between(-4.0, 4.0);
    let (linkage, servo) = linkage_for(spec.travel_deg, unevenness, random);
    WorldSurface {
        name: match spec.side {
            Side::Left => "left".into(),
            Side::Right => "right".into(),
            Side::Centre => "centre".into(),
        },
        side: spec.side,
        upright: spec.upright,
        hinge,
        chord_mm: spec.chord_mm,
        tag: WorldTag {
            id: spec.tag_id,
            edge_mm: spec.tag_edge_mm,
            world_from_tag: facing(tag_at, yaw, pitch, roll_deg),
            bend_radius_mm: 0.0,
        },
        linkage,
        servo,
        play_deg: 0.0,
    }
}

/// A linkage in its surface's own axes (x along the hinge, y up, z to the trailing edge) that
/// reaches about `travel_deg` at full command, positive for a positive command.
fn linkage_for(travel_deg: f64, unevenness: f64, random: &mut Random) -> (Linkage, Servo) {
    loop {
        let mut off = |size: f64| unevenness * size * random.normal();
        let horn_side = if off(1.0) >= 0.0 { -1.0 } else { 1.0 };
        let arm_mm = 12.0 * (1.0 + off(0.08));
        let horn_mm = 16.0 * (1.0 + off(0.08));
        let (arm_off, horn_off) = (off(8.0_f64.to_radians()), off(6.0_f64.to_radians()));
        let arm_side = if off(1.0) > 0.8 {
            -horn_side
        } else {
            horn_side
        };
        let mut linkage = Linkage {
            arm_pivot: [off(8.0), off(5.0), -80.0 + off(10.0)],
            arm_axis: unit([1.0, off(0.15), off(0.15)]),
            arm: times([0.0, arm_side * arm_off.cos(), arm_off.sin()], arm_mm),
            horn_pivot: [0.0; 3],
            horn_axis: [1.0, 0.0, 0.0],
            horn: add(
                times([0.0, horn_side * horn_off.cos(), horn_off.sin()], horn_mm),
                [off(2.0), 0.0, 0.0],
            ),
        };
        if linkage.output_deg(20.0).is_some_and(|output| output < 0.0) {
            linkage.arm_axis = times(linkage.arm_axis, -1.0);
        }
        // The servo's throw that gives the travel on the average of both ends.
        let reached =
            |servo: f64| Some(0.5 * (linkage.output_deg(servo)? - linkage.output_deg(-servo)?));
        let deg_at_100 = (1..75)
            .map(f64::from)
            .find(|servo| reached(*servo).is_some_and(|reach| reach >= travel_deg));
        let Some(deg_at_100) = deg_at_100 else {
            continue;
        };
        let servo = Servo {
            deg_at_100,
            dead_band_pct: 0.2,
            lag_s: 0.04,
            slew_pct_per_s: 450.0,
            ..Servo::ideal()
        };
        // Rising over a fifth more than the travel, as curves may ask for it.
        let rising = (-24..24).all(|step| {
            let at = |step: f64| linkage.output_deg(deg_at_100 * step / 20.0);
            matches!((at(f64::from(step)), at(f64::from(step + 1))),
                (Some(here), Some(next)) if next > here)
        });
        if rising {
            return (linkage, servo);
        }
    }
}

/// Two like surfaces and one airframe tag between them.
pub fn plain(seed: u64) -> Aircraft {
    let mut random = Random::new(seed);
    Aircraft {
        name: "Plain".into(),
        surfaces: [Side::Left, Side::Right]
            .iter()
            .map(|side| surface(&SurfaceSpec::plain(*side), 1.0, &mut random))
            .collect(),
        airframe_tags: vec![WorldTag {
            id: 0,
            edge_mm: 20.0,
            world_from_tag: facing([3.0, 22.0, 750.0], -7.0, 2.0, 0.5),
            bend_radius_mm: 0.0,
        }],
    }
}

/// An aircraft of random shape: sweep, rake, chord, tag size and lean, travel, play, linkages.
pub fn random(seed: u64) -> Aircraft {
    random_sized(seed, [40.0, 100.0], [14.0, 22.0])
}

/// The same with narrow surfaces and small tags, some 16 to 24 px wide.
pub fn random_small(seed: u64) -> Aircraft {
    random_sized(seed, [22.0, 35.0], [9.0, 13.0])
}

fn random_sized(seed: u64, chord_mm: [f64; 2], tag_edge_mm: [f64; 2]) -> Aircraft {
    let mut random = Random::new(seed ^ 0xA1C4);
    let upright = random.happens(0.15);
    let chord_mm = random.between(chord_mm[0], chord_mm[1]);
    let tag_edge_mm = random.between(tag_edge_mm[0], tag_edge_mm[1]);
    let sweep_deg = random.between(-25.0, 25.0);
    let rake_deg = random.between(-10.0, 10.0);
    let travel_deg = random.between(14.0, 30.0);
    let lean_deg = random.between(0.0, 32.0);
    let play_deg = random.between(0.0, 0.3);
    let surfaces = [Side::Left, Side::Right].map(|side| {
        let sign = if side == Side::Left { -1.0 } else { 1.0 };
        let spec = SurfaceSpec {
            upright,
            hinge_at_mm: [
                sign * random.between(110.0, 240.0),
                random.between(-40.0, 40.0),
                random.between(800.0, 900.0),
            ],
            sweep_deg: sign * sweep_deg + random.between(-1.0, 1.0),
            rake_deg: sign * rake_deg + random.between(-1.0, 1.0),
            chord_mm: chord_mm * random.between(0.98, 1.02),
            tag_edge_mm,
            lean_deg: lean_deg + random.between(-4.0, 4.0),
            yaw_deg: random.between(-12.0, 12.0),
            travel_deg: travel_deg * random.between(0.95, 1.05),
            ..SurfaceSpec::plain(side)
        };
        let mut built = surface(&spec, 1.0, &mut random);
        built.play_deg = play_deg;
        built
    });
    let count = 1 + random.below(2);
    let airframe_tags = (0..count)
        .map(|index| WorldTag {
            id: index as u32,
            edge_mm: random.between(18.0, 30.0),
            world_from_tag: facing(
                [
                    random.between(-50.0, 50.0),
                    60.0 * index as f64 + random.between(-20.0, 20.0),
                    random.between(720.0, 860.0),
                ],
                random.between(-20.0, 20.0),
                random.between(-20.0, 20.0),
                random.between(-5.0, 5.0),
            ),
            bend_radius_mm: 0.0,
        })
        .collect();
    Aircraft {
        name: format!("Random {seed}"),
        surfaces: surfaces.into(),
        airframe_tags,
    }
}
