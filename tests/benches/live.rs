//! Time of a live frame from luma to figures, and memory over an hour: `cargo bench --bench live`.
//!
//! The frames are the first of the sample clip, played forwards and backwards so that no tag jumps, as fast as the
//! session takes them; fits run on its worker meanwhile. The hour is of sightings at 30 frames a second, since only
//! what the session keeps can grow: pictures are dropped after their search.
#![allow(missing_docs, clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::time::Instant;

use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions, Frame, Levels};
use hingewise::live::{LiveFrame, LiveOptions, LiveSession};
use hingewise::model_file::ModelFile;
use hingewise::progress::Silent;
use hingewise::tags::{SightedFrame, TagPlan, sight};

/// Frames that are held in memory: 1080p luma has 2 MB each.
const KEPT_FRAMES: usize = 100;
/// Frames that are timed.
const TIMED_FRAMES: usize = 3000;
/// Frames of the hour.
const HOUR_FRAMES: usize = 3600 * 30;
const INTERVAL_S: f64 = 1.0 / 30.0;

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-frames")
        .join(name)
}

fn session() -> LiveSession {
    let model = ModelFile::read(&sample("model.toml")).unwrap();
    let profile = CameraProfile::read(&sample("camera.toml")).unwrap();
    LiveSession::begin(model, profile, LiveOptions::default()).unwrap()
}

/// The place in a list that is played forwards and backwards.
fn there_and_back(step: usize, count: usize) -> usize {
    let place = step % (2 * count - 2);
    place.min(2 * count - 2 - place)
}

/// Memory of this process, MB (proc(5)).
fn memory_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS"));
    let kb = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok());
    kb.unwrap_or(f64::NAN) / 1024.0
}

fn load() -> String {
    std::fs::read_to_string("/proc/loadavg").unwrap_or_default()
}

fn report(name: &str, mut times_ms: Vec<f64>) {
    times_ms.sort_by(f64::total_cmp);
    let at = |share: f64| times_ms[(share * (times_ms.len() - 1) as f64).round() as usize];
    if !times_ms.is_empty() {
        println!(
            "{name}: {} frames, median {:.1} ms, 95 % {:.1} ms, 99 % {:.1} ms, longest {:.1} ms",
            times_ms.len(),
            at(0.5),
            at(0.95),
            at(0.99),
            at(1.0)
        );
    }
}

fn time_frames(frames: &[Frame], levels: Levels) {
    let mut session = session();
    let (mut alone, mut beside_fit) = (vec![], vec![]);
    for step in 0..TIMED_FRAMES {
        let frame = LiveFrame {
            time_s: step as f64 * INTERVAL_S,
            luma: frames[there_and_back(step, frames.len())].image.clone(),
            levels,
        };
        let fitting = session.state().fitting;
        let begun = Instant::now();
        let state = session.frame(frame).unwrap();
        let took_ms = 1e3 * begun.elapsed().as_secs_f64();
        match fitting || state.fitting {
            true => beside_fit.push(took_ms),
            false => alone.push(took_ms),
        }
    }
    let state = session.state();
    println!("fits: {}, holds: {}", state.fits, state.holds.len());
    let all = [alone.clone(), beside_fit.clone()].concat();
    report("all", all);
    report("without a fit", alone);
    report("beside a fit", beside_fit);
}

fn an_hour(frames: &[SightedFrame]) {
    let mut session = session();
    let mut times_ms = vec![];
    for step in 0..HOUR_FRAMES {
        let sighted = SightedFrame {
            time_s: step as f64 * INTERVAL_S,
            ..frames[there_and_back(step, frames.len())].clone()
        };
        let begun = Instant::now();
        session.sighted(sighted).unwrap();
        times_ms.push(1e3 * begun.elapsed().as_secs_f64());
        if step % (HOUR_FRAMES / 12) == 0 {
            let holds = session.state().holds.len();
            let minutes = step as f64 * INTERVAL_S / 60.0;
            println!("{minutes:.0} min: {:.1} MB, {holds} holds", memory_mb());
        }
    }
    println!("60 min: {:.1} MB", memory_mb());
    report("sightings to figures", times_ms);
}

fn main() {
    println!("load: {}", load());
    let model = ModelFile::read(&sample("model.toml")).unwrap();
    let open = || Clip::open(&sample("cards.mp4"), &ClipOptions::default()).unwrap();
    let (info, levels) = (open().info().clone(), open().info().levels);
    let stream = open().into_stream().unwrap();
    let frames: Vec<Frame> = stream.take(KEPT_FRAMES).map(Result::unwrap).collect();
    time_frames(&frames, levels);
    drop(frames);
    let stream = open().into_stream().unwrap();
    let sightings = sight(stream, &info, &TagPlan::of(&model), &Silent).unwrap();
    an_hour(&sightings.frames);
    println!("load: {}", load());
}
