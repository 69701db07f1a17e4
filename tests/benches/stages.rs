//! Time of each stage on the sample clip: `cargo bench --bench stages`.
//!
//! `clip` reads all frames and does nothing else; `tags` is given frames that were read before, so
//! the two together are what a measurement spends on its clip, less what they overlap.
#![allow(missing_docs, clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use criterion::measurement::WallTime;
use criterion::{BenchmarkGroup, Criterion, criterion_group, criterion_main};
use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions, Frame, FrameStream};
use hingewise::matching::match_groups;
use hingewise::measurement::{Measurement, Stages, frame_rows};
use hingewise::model_file::ModelFile;
use hingewise::motion::{FitOptions, fit};
use hingewise::progress::Silent;
use hingewise::report::{Picture, ReportInputs, files, frame_to_mark};
use hingewise::response::respond;
use hingewise::stations::{HoldOptions, find_holds};
use hingewise::tags::{TagPlan, sight};

/// Another clip can be timed instead of the sample's, with the sample's model file and camera.
const CLIP_VARIABLE: &str = "HINGEWISE_BENCH_CLIP";

/// Frames that are kept for the tags stage; more would fill the memory.
const KEPT_FRAMES: usize = 60;

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-frames")
        .join(name)
}

fn open() -> FrameStream {
    let path = std::env::var_os(CLIP_VARIABLE).map_or_else(|| sample("cards.mp4"), Into::into);
    let clip = Clip::open(&path, &ClipOptions::default()).unwrap();
    clip.into_stream().unwrap()
}

fn reading(group: &mut BenchmarkGroup<'_, WallTime>, plan: &TagPlan) {
    group.bench_function("clip", |bencher| {
        bencher.iter(|| open().map(Result::unwrap).count());
    });
    let kept: Vec<Frame> = open().take(KEPT_FRAMES).map(Result::unwrap).collect();
    let info = open().info().clone();
    group.bench_function(format!("tags, {KEPT_FRAMES} frames"), |bencher| {
        bencher.iter(|| sight(kept.iter().cloned().map(Ok), &info, plan, &Silent).unwrap());
    });
}

fn stages(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("stages");
    group.sample_size(10);
    let model = ModelFile::read(&sample("model.toml")).unwrap();
    let profile = CameraProfile::read(&sample("camera.toml")).unwrap();
    let plan = TagPlan::of(&model);
    reading(&mut group, &plan);

    let stream = open();
    let info = stream.info().clone();
    let sightings = sight(stream, &info, &plan, &Silent).unwrap();
    let fitted = || {
        fit(
            &sightings,
            &model,
            &profile,
            &FitOptions::default(),
            &mut vec![],
        )
        .unwrap()
    };
    group.bench_function("motion", |bencher| bencher.iter(fitted));

    let motion = fitted();
    let options = HoldOptions::default();
    let held = || find_holds(&motion, &sightings, &model, &options, &mut vec![]).unwrap();
    group.bench_function("stations", |bencher| bencher.iter(held));

    let holds = held();
    let responded = || respond(&motion, &holds, &model, &mut vec![]).unwrap();
    group.bench_function("response", |bencher| bencher.iter(responded));

    let responses = responded();
    let radio = model.radio.as_ref();
    let matched = || match_groups(&responses, &model.matches, radio, &mut vec![]).unwrap();
    group.bench_function("matching", |bencher| bencher.iter(matched));

    let rows = frame_rows(&motion, &holds);
    let measurement = Measurement::assemble(&Stages {
        sightings: &sightings,
        profile: &profile,
        model: &model,
        function: None,
        motion: &motion,
        rows: &rows,
        responses: &responses,
        stick_log: holds.log.as_ref(),
        corrections: &matched(),
        warnings: &[],
        date: None,
    })
    .unwrap();
    let marked = frame_to_mark(&motion).unwrap();
    let frame = open().nth(marked).unwrap().unwrap();
    let inputs = ReportInputs {
        picture: Some(Picture {
            image: &frame.image,
            levels: info.levels,
            sighted: &sightings.frames[marked],
            camera: &profile.camera,
        }),
        frames: Some(&rows),
    };
    group.bench_function("report", |bencher| {
        bencher.iter(|| files(&measurement, &inputs).unwrap());
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
