//! Motions made for tests: planned deflections with seeded noise, no camera.

use std::path::PathBuf;

use nalgebra::{DMatrix, DVector, Point3, Vector3};

use crate::camera::Camera;
use crate::clip::{ClipInfo, Levels, Transfer};
use crate::measured::Measured;
use crate::model_file::{
    MatchGroup, MatchMotion, ModelFile, Side, StationSource, Stations, Surface,
};
use crate::motion::{FrameDeflection, Motion, MotionFrame, SurfaceMotion};
use crate::tags::{CornerCovariance, SightedFrame, Sighting, Sightings};

/// Seeded random numbers: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014) with Box–Muller.
pub(crate) struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Uniform in 0..1.
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal values.
    pub fn normal(&mut self, count: usize) -> Vec<f64> {
        (0..count)
            .map(|_| {
                let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
                radius * (std::f64::consts::TAU * self.uniform()).cos()
            })
            .collect()
    }
}

/// A motion of left and right surfaces from times and deflections, with the given standard
/// deviation and exact constants.
pub(crate) fn motion_of(
    time_s: &[f64],
    angles_deg: &[Vec<Option<f64>>],
    own_sd_deg: f64,
) -> Motion {
    let surface_count = angles_deg.len();
    let own_variance = own_sd_deg.to_radians().powi(2);
    let frames = time_s
        .iter()
        .enumerate()
        .map(|(index, &time_s)| MotionFrame {
            index,
            time_s,
            deflections: angles_deg
                .iter()
                .map(|angles| {
                    angles[index].map(|angle_deg| FrameDeflection {
                        angle_rad: angle_deg.to_radians(),
                        gain: DVector::zeros(1),
                        misfit: None,
                    })
                })
                .collect(),
            own_covariance_rad2: DMatrix::identity(surface_count, surface_count) * own_variance,
        });
    let intrinsics = [1500.0, 1500.0, 960.0, 540.0, 0.0, 0.0, 0.0, 0.0, 0.0];
    Motion {
        surfaces: (0..surface_count)
            .map(|surface| SurfaceMotion {
                name: SURFACE_NAMES[surface].into(),
                tag_id: 10 + surface as u32,
                axis_in_camera: Vector3::x_axis(),
                point_in_camera_mm: Point3::new(0.0, 0.0, 900.0),
                radius_mm: Measured::new(57.0, 0.2),
                arm_at_zero_in_camera: -Vector3::z_axis(),
            })
            .collect(),
        frames: frames.collect(),
        camera_moved: false,
        landmarks: 0,
        picture: None,
        readout_s: None,
        reprojection_rms_px: 0.05,
        allowed_rms_px: 0.06,
        constants_covariance: DMatrix::zeros(1, 1),
        lasting: Default::default(),
        lens: Camera::from_intrinsics(&intrinsics.into()),
        tags_at_zero: Default::default(),
        passes: Vec::new(),
    }
}

/// Names of the surfaces of [`motion_of`].
pub(crate) const SURFACE_NAMES: [&str; 3] = ["left aileron", "right aileron", "left flap"];

/// A model file for [`motion_of`] with the given station source.
pub(crate) fn model_with(source: StationSource) -> ModelFile {
    let surface = |index: usize| Surface {
        name: SURFACE_NAMES[index].into(),
        side: if index == 1 { Side::Right } else { Side::Left },
        tag_id: 10 + index as u32,
        edge_mm: 20.0,
        chord_mm: Some(62.0),
        hinge_to_tag_mm: None,
        upright: false,
    };
    ModelFile {
        path: PathBuf::from("model.toml"),
        name: "test".into(),
        airframe_tags: Vec::new(),
        surfaces: vec![surface(0), surface(1)],
        matches: vec![MatchGroup {
            reference: SURFACE_NAMES[0].into(),
            followers: vec![SURFACE_NAMES[1].into()],
            motion: MatchMotion::Same,
            tolerance_deg: 0.3,
            target: crate::model_file::Target::Reference,
            compare: Default::default(),
            down_to_up: None,
        }],
        stations: Stations {
            source,
            neutral_time_s: None,
            level_time_s: None,
        },
        functions: vec![],
        radio: None,
    }
}

/// Sightings in which only cards show, one or none a frame.
pub(crate) fn sightings_of(time_s: &[f64], cards: &[Option<u32>]) -> Sightings {
    let sighting = |tag_id| Sighting {
        tag_id,
        corners_px: Default::default(),
        covariance_px2: CornerCovariance::identity(),
    };
    Sightings {
        overview: Default::default(),
        clip: ClipInfo {
            path: PathBuf::from("clip.mp4"),
            width_px: 1920,
            height_px: 1080,
            levels: Levels {
                black: 16,
                white: 235,
            },
            transfer: Transfer::Power,
            lines: crate::clip::Lines::Rows,
            claimed_frames: None,
        },
        frames: time_s
            .iter()
            .zip(cards)
            .enumerate()
            .map(|(index, (&time_s, card))| SightedFrame {
                index,
                time_s,
                sightings: card.map(sighting).into_iter().collect(),
                dropped: Vec::new(),
                landmarks: Vec::new(),
            })
            .collect(),
    }
}

/// A clip's truth: times, stick, deflections, cards and settled frames; see
/// `tests/data/README.md`.
pub(crate) struct Truth {
    pub time_s: Vec<f64>,
    pub angles_deg: [Vec<f64>; 2],
    pub cards: Vec<Option<u32>>,
    /// Stick, first and last settled frame of each hold.
    pub holds: Vec<(f64, usize, usize)>,
    /// Mean deflections over the settled frames of each hold, left and right.
    pub stated_deg: Vec<[f64; 2]>,
}

impl Truth {
    pub fn read(name: &str) -> Self {
        let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/holds");
        let rows = |file: String| -> Vec<Vec<String>> {
            let text = std::fs::read_to_string(folder.join(file)).unwrap();
            let lines = text.lines().skip(1);
            lines
                .map(|line| line.split(',').map(str::to_owned).collect())
                .collect()
        };
        let number = |field: &String| field.parse::<f64>().unwrap();
        let frames = rows(format!("{name}_frames.csv"));
        let column = |k: usize| {
            frames
                .iter()
                .map(|row| number(&row[k]))
                .collect::<Vec<f64>>()
        };
        let hold_rows = rows(format!("{name}_holds.csv"));
        Self {
            time_s: column(0),
            angles_deg: [column(2), column(3)],
            cards: frames.iter().map(|row| row[4].parse().ok()).collect(),
            holds: hold_rows
                .iter()
                .map(|row| {
                    (
                        number(&row[0]),
                        number(&row[1]) as usize,
                        number(&row[2]) as usize,
                    )
                })
                .collect(),
            stated_deg: hold_rows
                .iter()
                .map(|row| [number(&row[3]), number(&row[4])])
                .collect(),
        }
    }

    /// Every `stride`-th frame with seeded noise, as a motion.
    pub fn motion(&self, noise_deg: f64, seed: u64, kept: &[usize]) -> Motion {
        let mut noise = Noise::new(seed);
        let time_s: Vec<f64> = kept.iter().map(|&k| self.time_s[k]).collect();
        let angles_deg: Vec<Vec<Option<f64>>> = self
            .angles_deg
            .iter()
            .map(|angles| {
                let errors = noise.normal(kept.len());
                kept.iter()
                    .zip(errors)
                    .map(|(&k, error)| Some(angles[k] + noise_deg * error))
                    .collect()
            })
            .collect();
        motion_of(&time_s, &angles_deg, noise_deg)
    }
}
