//! Time of a live frame from luma to figures, and memory over an hour: `cargo bench --bench live`, one of them with
//! `-- frames` or `-- hour`.
//!
//! The frames are those of the sample clip (1080p), played forwards and backwards so that no tag jumps. Timed frames
//! come at their own times, 30 a second, and fits run on the session's worker meanwhile. Besides times on the clock the
//! benchmark states the mean time on a processor, which other work on the machine hardly changes. The frames of the
//! hour come as fast as the session takes them, and fits run between them.
#![allow(missing_docs, clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions, Frame, Levels};
use hingewise::live::{LiveFrame, LiveOptions, LiveSession, LiveState, Refits};
use hingewise::model_file::ModelFile;

/// Frames that are timed: two minutes.
const TIMED_FRAMES: usize = 3600;
/// Frames of the hour.
const HOUR_FRAMES: usize = 3600 * 30;
/// Memory is looked at so often, frames: every five minutes.
const LOOK_EVERY: usize = HOUR_FRAMES / 12;
/// By so much memory may grow after the first five minutes, MB: the allocator keeps some of what fits let go.
const GROWN_MB: f64 = 20.0;
const INTERVAL_S: f64 = 1.0 / 30.0;

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("sample-frames")
        .join(name)
}

fn session(refits: Refits) -> LiveSession {
    let model = ModelFile::read(&sample("model.toml")).unwrap();
    let profile = CameraProfile::read(&sample("camera.toml")).unwrap();
    let options = LiveOptions {
        refits,
        ..LiveOptions::default()
    };
    LiveSession::begin(model, profile, options).unwrap()
}

/// The pictures of the sample clip, in memory.
struct Film {
    frames: Vec<Frame>,
    levels: Levels,
}

impl Film {
    fn open() -> Self {
        let clip = Clip::open(&sample("cards.mp4"), &ClipOptions::default()).unwrap();
        let levels = clip.info().levels;
        let frames = clip.into_stream().unwrap().map(Result::unwrap).collect();
        Self { frames, levels }
    }

    /// The frame of a step, played forwards and backwards.
    fn at(&self, step: usize) -> LiveFrame {
        let place = step % (2 * self.frames.len() - 2);
        let place = place.min(2 * self.frames.len() - 2 - place);
        LiveFrame {
            time_s: step as f64 * INTERVAL_S,
            luma: self.frames[place].image.clone(),
            levels: self.levels,
        }
    }
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

/// Time that this thread has had a processor for, ms (Linux: schedstat, in the kernel's documentation of its
/// scheduler). It grows in ticks of the clock, so that only means say something.
fn on_processor_ms() -> f64 {
    let times = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let first = times.split_whitespace().next();
    first
        .and_then(|ns| ns.parse::<f64>().ok())
        .unwrap_or(f64::NAN)
        / 1e6
}

/// Times of some frames, ms: on the clock, and on a processor in all.
#[derive(Default, Clone)]
struct Times {
    on_clock: Vec<f64>,
    on_processor: f64,
}

impl Times {
    fn note(&mut self, [on_clock, on_processor]: [f64; 2]) {
        self.on_clock.push(on_clock);
        self.on_processor += on_processor;
    }

    fn report(&self, name: &str) {
        let mut sorted = self.on_clock.clone();
        sorted.sort_by(f64::total_cmp);
        let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64).round() as usize];
        if !sorted.is_empty() {
            println!(
                "{name}: {} frames, median {:.1} ms, 95 % {:.1} ms, 99 % {:.1} ms, longest {:.1} ms, mean on a \
                 processor {:.2} ms",
                sorted.len(),
                at(0.5),
                at(0.95),
                at(0.99),
                at(1.0),
                self.on_processor / sorted.len() as f64
            );
        }
    }
}

/// A frame's state and times.
fn timed(session: &mut LiveSession, frame: LiveFrame) -> (LiveState, [f64; 2]) {
    let (begun, before_ms) = (Instant::now(), on_processor_ms());
    let state = session.frame(frame).unwrap();
    let times_ms = [
        1e3 * begun.elapsed().as_secs_f64(),
        on_processor_ms() - before_ms,
    ];
    (state, times_ms)
}

fn time_frames(film: &Film) {
    let mut session = session(Refits::OnWorker);
    let [mut all, mut beside_fit, mut moving] = [(); 3].map(|()| Times::default());
    let (mut whole, mut late) = (0, 0);
    let begun = Instant::now();
    for step in 0..TIMED_FRAMES {
        let due = Duration::from_secs_f64(step as f64 * INTERVAL_S);
        match due.checked_sub(begun.elapsed()) {
            Some(early) => sleep(early),
            None => late += 1,
        }
        let fitting = session.state().fitting;
        let (state, times_ms) = timed(&mut session, film.at(step));
        all.note(times_ms);
        if fitting || state.fitting {
            beside_fit.note(times_ms);
        }
        if state.surfaces.iter().any(|surface| surface.moving) {
            moving.note(times_ms);
        }
        whole += usize::from(state.surfaces.iter().all(|it| it.deflection_deg.is_some()));
    }
    let state = session.state();
    println!(
        "{TIMED_FRAMES} frames, {late} of them late, {whole} with all figures; {} fits, {} holds",
        state.fits,
        state.holds.len()
    );
    all.report("all");
    moving.report("while a surface moves");
    beside_fit.report("beside a fit");
}

fn an_hour(film: &Film) {
    let mut session = session(Refits::AtOnce);
    let mut times = Times::default();
    let mut memory = vec![];
    for step in 0..=HOUR_FRAMES {
        let (state, times_ms) = timed(&mut session, film.at(step));
        times.note(times_ms);
        if step % LOOK_EVERY == 0 {
            memory.push(memory_mb());
            println!(
                "{:.0} min: {:.1} MB, {} fits, {} holds",
                step as f64 * INTERVAL_S / 60.0,
                memory_mb(),
                state.fits,
                state.holds.len()
            );
        }
    }
    times.report("all, fits between them");
    let grown_mb = memory[memory.len() - 1] - memory[1];
    println!("grown by {grown_mb:.1} MB after the first five minutes");
    assert!(grown_mb <= GROWN_MB);
}

fn main() {
    let asked: Vec<String> = std::env::args().collect();
    let wants = |name: &str, other: &str| {
        asked.iter().any(|it| it == name) || asked.iter().all(|it| it != other)
    };
    println!("load: {}", load());
    let film = Film::open();
    if wants("frames", "hour") {
        time_frames(&film);
    }
    if wants("hour", "frames") {
        an_hour(&film);
    }
    println!("load: {}", load());
}
