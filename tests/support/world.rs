//! Films an invented aircraft at the level of tag corners: what the program gets, and what was.

use std::collections::{BTreeMap, BTreeSet};

use hingewise::camera::{Camera, CameraProfile};
use hingewise::clip::{ClipInfo, Levels, Transfer};
use hingewise::model_file::ModelFile;
use hingewise::tags::Sightings;
use nalgebra::SVector;

use super::aircraft::Aircraft;
use super::declared::declare;
use super::filming::{Filming, StickPlan};
use super::hand_path::HandPath;
use super::random::Random;
use super::rigid::Pose;
use super::servo::after_play;
use super::sighting::sight;

pub type Corners = [[f64; 2]; 4];

/// Time steps of the servo in one frame.
const STEPS_A_FRAME: usize = 12;
/// A hold counts as settled this long after its ramp.
const SETTLING_S: f64 = 0.2;
/// What really was in one frame.
#[derive(Debug, Clone)]
pub struct TrueFrame {
    pub time_s: f64,
    pub stick_pct: f64,
    /// By surface, from the linkage's zero.
    pub deflection_deg: Vec<f64>,
    /// How fast it changes, the slow shake left out.
    pub deflection_deg_per_s: Vec<f64>,
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
    let mut random = Random::new(filming.seed ^ 0x0AC7);
    let path = HandPath::new(filming.hand, &mut random);
    let truth = act(aircraft, filming, &path, random);
    let (truth, frames) = sight(aircraft, filming, &path, truth);
    Film {
        sightings: Sightings {
            overview: Default::default(),
            clip: ClipInfo {
                path: "synthetic.mp4".into(),
                width_px: filming.lens.width_px,
                height_px: filming.lens.height_px,
                levels: Levels {
                    black: 16,
                    white: 235,
                },
                transfer: Transfer::Power,
                lines: filming.lines,
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
fn act(aircraft: &Aircraft, filming: &Filming, path: &HandPath, mut random: Random) -> Truth {
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
        let mut before_deg = rests_deg.clone();
        for sub_step in 0..STEPS_A_FRAME {
            let now_s = time_s + (sub_step as f64 + 1.0 - STEPS_A_FRAME as f64) * step_s;
            let stick_pct = filming.stick.stick_pct(now_s.max(0.0));
            before_deg.clone_from(&rests_deg);
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
            deflection_deg_per_s: (rests_deg.iter().zip(&before_deg))
                .map(|(now, before)| (now - before) / step_s)
                .collect(),
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
