//! The joint fit against each tag's pose by itself, on the corners of the rendered clips.
//!
//! Clips and truth are own, as in `whole_job.rs`; the poses by themselves are
//! `support::per_frame_pose`, which shares no code with the crate. Both get the same corners, the
//! true camera, and the truth's word which frames belong to which hold.
#![allow(clippy::unwrap_used)]

use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use crate::support::judge::rms;
use crate::support::lens::Lens;
use crate::support::per_frame_pose;
use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions};
use hingewise::model_file::ModelFile;
use hingewise::motion::{FitOptions, fit};
use hingewise::progress::Silent;
use hingewise::tags::{Sightings, TagPlan, sight};
use hingewise::vision::{Dictionary, MarkerFinder, SearchEffort};

/// How many times larger the error of each pose by itself is at least, from the library's corners,
/// and from the same corners where the camera moves. On a tripod the same corners leave it about
/// seven times as large: they are too good there for the two tilts of a plane to be mixed up.
const LEAST_GAIN_OVER_LIBRARY: f64 = 20.0;
const LEAST_GAIN_IN_THE_HAND: f64 = 20.0;
const LEAST_GAIN_ON_A_TRIPOD: f64 = 5.0;

/// Settled frames searched with the library alone: every third is enough for its means.
const LIBRARY_EVERY: usize = 3;

/// Truth of one hold: stick, settled frames, and both deflections.
struct TrueHold {
    stick_pct: f64,
    frames: RangeInclusive<usize>,
    deflections_deg: [f64; 2],
}

/// Deflection of every frame from any zero, left and right.
type Angles = [Vec<Option<f64>>; 2];

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn true_holds(path: &str) -> Vec<TrueHold> {
    let mut reader = csv::Reader::from_path(root(path)).unwrap();
    let rows = reader.records().map(|row| {
        let row: Vec<f64> = row.unwrap().iter().map(|f| f.parse().unwrap()).collect();
        TrueHold {
            stick_pct: row[0],
            frames: row[3] as usize..=row[4] as usize,
            deflections_deg: [row[1], row[2]],
        }
    });
    rows.collect()
}

/// Errors of the means over the holds away from neutral, against the mean over those at neutral;
/// root mean square of both sides.
fn error_deg(angles: &Angles, holds: &[TrueHold]) -> f64 {
    let errors = [0, 1].into_iter().flat_map(|side| {
        let mean = |hold: &TrueHold| {
            let seen: Vec<f64> = hold
                .frames
                .clone()
                .filter_map(|k| angles[side][k])
                .collect();
            seen.iter().sum::<f64>() / seen.len() as f64 - hold.deflections_deg[side]
        };
        let (neutral, away): (Vec<&TrueHold>, Vec<&TrueHold>) =
            holds.iter().partition(|hold| hold.stick_pct == 0.0);
        let zero = neutral.iter().map(|hold| mean(hold)).sum::<f64>() / neutral.len() as f64;
        away.into_iter()
            .map(move |hold| mean(hold) - zero)
            .collect::<Vec<_>>()
    });
    rms(errors)
}

/// Deflections by the joint fit.
fn jointly(sightings: &Sightings, model: &ModelFile, profile: &CameraProfile) -> Angles {
    let motion = fit(
        sightings,
        model,
        profile,
        &FitOptions::default(),
        &mut vec![],
    )
    .unwrap();
    [0, 1].map(|side| {
        let frames = motion.frames.iter();
        let angles =
            frames.map(|frame| Some(frame.deflections[side].as_ref()?.angle_rad.to_degrees()));
        angles.collect()
    })
}

/// Deflections by each tag's pose, against the airframe tag's or against the camera.
fn each_by_itself(
    sightings: &Sightings,
    model: &ModelFile,
    holds: &[TrueHold],
    against_airframe: bool,
) -> Angles {
    let neutral: Vec<usize> = holds
        .iter()
        .filter(|hold| hold.stick_pct == 0.0)
        .flat_map(|hold| hold.frames.clone())
        .collect();
    let airframe = &model.airframe_tags[0];
    let airframe = against_airframe.then_some((airframe.id, airframe.edge_mm));
    [0, 1].map(|side| {
        let surface = &model.surfaces[side];
        per_frame_pose::deflections_deg(
            sightings,
            &Lens::phone(),
            (surface.tag_id, surface.edge_mm),
            airframe,
            &neutral,
        )
    })
}

/// The same sightings with the corners that the library's own detector gives, in some of the settled frames.
fn with_library_corners(clip: &str, holds: &[TrueHold], sightings: &Sightings) -> Sightings {
    let dictionary = Dictionary::named("DICT_APRILTAG_36h11").unwrap();
    let mut finder = MarkerFinder::new(dictionary, SearchEffort::Thorough).unwrap();
    let mut replaced = sightings.clone();
    let frames = Clip::open(&root(clip), &ClipOptions::default())
        .unwrap()
        .into_stream()
        .unwrap();
    for (frame, seen) in frames.zip(&mut replaced.frames) {
        let frame = frame.unwrap();
        let settled = holds.iter().any(|hold| hold.frames.contains(&frame.index));
        if !(settled && frame.index.is_multiple_of(LIBRARY_EVERY)) {
            seen.sightings.clear();
            continue;
        }
        let found = finder.find(&frame.image).unwrap().markers;
        seen.sightings.retain_mut(|sighting| {
            let marker = found.iter().find(|marker| marker.id == sighting.tag_id);
            if let Some(marker) = marker {
                sighting.corners_px = marker.corners_px;
            }
            marker.is_some()
        });
    }
    replaced
}

/// Prints the errors of a clip and checks that the joint fit gains enough over poses against the
/// airframe tag. Those against the camera, good only where it stood still, are printed beside them.
fn compare(name: &str, clip_path: &str, model: &str, holds: &str, least_gain: f64) {
    let model = ModelFile::read(&root(model)).unwrap();
    let profile = CameraProfile::read(&root("sample-frames/camera.toml")).unwrap();
    let clip = Clip::open(&root(clip_path), &ClipOptions::default()).unwrap();
    let info = clip.info().clone();
    let frames = clip.into_stream().unwrap();
    let sightings = sight(frames, &info, &TagPlan::of(&model), &Silent).unwrap();
    let holds = true_holds(holds);

    let joint_deg = error_deg(&jointly(&sightings, &model, &profile), &holds);
    let alone_deg = |sightings: &Sightings, against_airframe: bool| {
        let angles = each_by_itself(sightings, &model, &holds, against_airframe);
        // Which way is up follows from how the airframe tag was stuck on; that is forgiven.
        let down = angles
            .clone()
            .map(|side| side.into_iter().map(|angle| Some(-angle?)).collect());
        error_deg(&angles, &holds).min(error_deg(&down, &holds))
    };
    let same_deg = alone_deg(&sightings, true);
    let library = with_library_corners(clip_path, &holds, &sightings);
    let library_deg = alone_deg(&library, true);
    println!(
        "{name}: joint fit {joint_deg:.4}°; each pose by itself against the airframe tag: same \
         corners {same_deg:.3}° ({:.0} times), the library's {library_deg:.3}° ({:.0} times); \
         against the camera {:.3}° and {:.3}°",
        same_deg / joint_deg,
        library_deg / joint_deg,
        alone_deg(&sightings, false),
        alone_deg(&library, false),
    );
    assert!(same_deg >= least_gain * joint_deg, "{name}");
    assert!(library_deg >= LEAST_GAIN_OVER_LIBRARY * joint_deg, "{name}");
}

#[test]
fn many_times_better_than_each_tag_by_itself_on_a_tripod() {
    compare(
        "tripod",
        "sample-frames/cards.mp4",
        "sample-frames/model.toml",
        "sample-frames/cards-true-stations.csv",
        LEAST_GAIN_ON_A_TRIPOD,
    );
}

#[test]
fn many_times_better_than_each_tag_by_itself_in_the_hand() {
    compare(
        "hand",
        "sample-frames/elevator.mp4",
        "sample-frames/elevator.toml",
        "sample-frames/elevator-true-stations.csv",
        LEAST_GAIN_IN_THE_HAND,
    );
}
