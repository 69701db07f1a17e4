//! Readers of files hold against any bytes: no panic, no endless work, no memory without bounds.
//!
//! Inputs are mutations of good files, from a fixed seed. A few run with all tests; many by hand:
//!
//! ```text
//! HINGEWISE_FUZZ=1000000 cargo test --release -- --ignored millions_of_inputs --nocapture
//! ```

use std::cell::Cell;
use std::path::Path;
use std::time::{Duration, Instant};

use hingewise::camera::CameraProfile;
use hingewise::clip::{Clip, ClipOptions};
use hingewise::measurement::Measurement;
use hingewise::model_file::{ModelFile, StationSource};
use hingewise::stations::check_table;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestRunner};

use super::project;

/// One change of a text or a file.
#[derive(Debug, Clone)]
enum Change {
    /// Bytes at a place, part of the length, become these.
    Replace(f64, Vec<u8>),
    /// These bytes come in between.
    Insert(f64, Vec<u8>),
    /// So many bytes go.
    Remove(f64, usize),
    /// So many bytes stand there twice.
    Repeat(f64, usize),
    /// All behind it goes.
    Cut(f64),
}

/// What readers stumble over.
const PIECES: [&str; 24] = [
    "[[surface]]",
    "[",
    "]",
    "{",
    "}",
    "\"",
    "'",
    "\\u{202e}",
    "=",
    ",",
    "\n",
    "nan",
    "inf",
    "-1",
    "1e999",
    "18446744073709551616",
    "0x",
    "1979-05-27",
    "\u{feff}",
    "\r",
    ";",
    "null",
    "true",
    "\0",
];

fn changes() -> impl Strategy<Value = Vec<Change>> {
    let at = || 0.0..1.0f64;
    let bytes = || {
        prop_oneof![
            prop::sample::select(&PIECES[..]).prop_map(|piece| piece.as_bytes().to_vec()),
            prop::collection::vec(any::<u8>(), 1..6),
        ]
    };
    let change = prop_oneof![
        (at(), bytes()).prop_map(|(at, bytes)| Change::Replace(at, bytes)),
        (at(), bytes()).prop_map(|(at, bytes)| Change::Insert(at, bytes)),
        (at(), 1..200usize).prop_map(|(at, count)| Change::Remove(at, count)),
        (at(), 1..200usize).prop_map(|(at, count)| Change::Repeat(at, count)),
        at().prop_map(Change::Cut),
    ];
    prop::collection::vec(change, 1..8)
}

fn changed(good: &[u8], changes: &[Change]) -> Vec<u8> {
    let mut bytes = good.to_vec();
    for change in changes {
        let place = |at: f64| (at * bytes.len() as f64) as usize;
        match change {
            Change::Replace(at, new) => {
                let start = place(*at);
                let end = (start + new.len()).min(bytes.len());
                bytes.splice(start..end, new.iter().copied());
            }
            Change::Insert(at, new) => {
                let start = place(*at);
                bytes.splice(start..start, new.iter().copied());
            }
            Change::Remove(at, count) => {
                let start = place(*at);
                bytes.drain(start..(start + count).min(bytes.len()));
            }
            Change::Repeat(at, count) => {
                let start = place(*at);
                let part = bytes[start..(start + count).min(bytes.len())].to_vec();
                bytes.splice(start..start, part);
            }
            Change::Cut(at) => bytes.truncate(place(*at)),
        }
    }
    bytes
}

/// Longest that one input may take, and the memory that all of them may.
const LONGEST: Duration = Duration::from_secs(10);
const MOST_MEMORY_KB: u64 = 1 << 20;

/// Gives so many mutations of good files to a reader.
fn run(name: &str, cases: u32, good: &[Vec<u8>], read: impl Fn(&[u8])) {
    let config = Config {
        cases,
        rng_seed: RngSeed::Fixed(23),
        failure_persistence: None,
        max_shrink_iters: 200,
        ..Config::default()
    };
    let start = Instant::now();
    let longest = Cell::new(Duration::ZERO);
    let inputs = (prop::sample::select(good.to_vec()), changes());
    TestRunner::new(config)
        .run(&inputs, |(good, changes)| {
            let start = Instant::now();
            read(&changed(&good, &changes));
            longest.set(longest.get().max(start.elapsed()));
            prop_assert!(longest.get() < LONGEST);
            Ok(())
        })
        .unwrap_or_else(|error| panic!("{name}: {error}"));
    println!(
        "{name}: {cases} inputs in {:.1?}, the longest {:.1?}",
        start.elapsed(),
        longest.get()
    );
}

fn files(paths: &[&str]) -> Vec<Vec<u8>> {
    paths
        .iter()
        .map(|path| std::fs::read(project(path)).unwrap())
        .collect()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn all_readers(texts: u32, on_disk: u32, clips: u32) {
    let models = files(&[
        "sample-frames/model.toml",
        "tests/data/model_file/good.toml",
        "tests/data/model_file/faulty.toml",
    ]);
    run("model files", texts, &models, |bytes| {
        if let Err(faulty) = ModelFile::parse(Path::new("model.toml"), text(bytes)) {
            // What is shown of it has bounds as well.
            let shown = format!("{:?}", miette::Report::new(faulty));
            assert!(shown.len() < 100_000);
        }
    });
    run(
        "camera profiles",
        texts,
        &files(&["sample-frames/camera.toml"]),
        |bytes| {
            let _ = CameraProfile::parse(Path::new("camera.toml"), text(bytes));
        },
    );
    let measurements = files(&[
        "tests/data/measurement/before.json",
        "tests/data/measurement/after.json",
    ]);
    run("measurements", texts / 4, &measurements, |bytes| {
        if let Ok(measurement) = Measurement::from_json(&text(bytes), Path::new("measurement.json"))
        {
            let _ = hingewise::report::summary(&measurement, None);
        }
    });
    times(on_disk);
    tables_of_stations(on_disk);
    stills(clips);
    clips_of_all_kinds(clips);
    let peak_kb = peak_memory_kb();
    println!("memory: {peak_kb} kB at most");
    assert!(peak_kb < MOST_MEMORY_KB, "{peak_kb} kB");
}

/// `times.csv` beside two pictures.
fn times(cases: u32) {
    let folder = tempfile::tempdir().unwrap();
    for name in ["0.png", "1.png"] {
        image::GrayImage::new(64, 36)
            .save(folder.path().join(name))
            .unwrap();
    }
    let good = vec![
        b"file,time_s\n0.png,0.0\n1.png,0.5\n".to_vec(),
        b"time_s\n0\n1\n".to_vec(),
    ];
    run("times of stills", cases, &good, |bytes| {
        std::fs::write(folder.path().join("times.csv"), bytes).unwrap();
        let _ = Clip::open(folder.path(), &ClipOptions::default());
    });
}

/// Marks and stick logs that a model file names.
fn tables_of_stations(cases: u32) {
    let folder = tempfile::tempdir().unwrap();
    let good = vec![
        b"time_s,stick_pct\n0.5,0\n1.5,100\n2.5,-100\n".to_vec(),
        "\u{feff}time_s;stick_pct\r\n0,5;0\r\n# a note\r\n1,5;50,5\r\n".into(),
        b"0\t0\n1\t10\n2\t20\n3\t30\n".to_vec(),
    ];
    let table = folder.path().join("table.csv");
    for (name, source) in [
        ("marks", StationSource::Marks("table.csv".into())),
        ("stick logs", StationSource::Log("table.csv".into())),
    ] {
        let mut model = ModelFile::read(&project("sample-frames/model.toml")).unwrap();
        model.path = folder.path().join("model.toml");
        model.stations.source = source;
        run(name, cases, &good, |bytes| {
            std::fs::write(&table, bytes).unwrap();
            let _ = check_table(&model);
        });
    }
}

/// Pictures in a folder.
fn stills(cases: u32) {
    let folder = tempfile::tempdir().unwrap();
    let grey = image::GrayImage::from_fn(64, 36, |x, y| image::Luma([(x * y) as u8]));
    for ending in ["png", "jpg"] {
        let place = folder.path().join(format!("0.{ending}"));
        grey.save(&place).unwrap();
        let good = vec![std::fs::read(&place).unwrap()];
        let options = ClipOptions {
            untimed: true,
            ..ClipOptions::default()
        };
        run(&format!("stills in {ending}"), cases, &good, |bytes| {
            std::fs::write(&place, bytes).unwrap();
            if let Ok(mut clip) = Clip::open(folder.path(), &options) {
                let _ = clip.next_frame(&mut Vec::new());
            }
        });
        std::fs::remove_file(&place).unwrap();
    }
}

/// Largest memory of this process so far, kB; 0 where the system does not say (`proc(5)`).
fn peak_memory_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:"));
    let number = line.and_then(|line| line.split_whitespace().nth(1));
    number.and_then(|number| number.parse().ok()).unwrap_or(0)
}

/// The first megabyte of videos.
fn clips_of_all_kinds(cases: u32) {
    let folder = tempfile::tempdir().unwrap();
    let videos = files(&[
        "tests/data/clip/unordered.mov",
        "tests/data/clip/variable_rate.mp4",
        "tests/data/clip/h265_video.mp4",
        "tests/data/clip/mjpeg.avi",
        "tests/data/clip/size_changes.ts",
        "tests/data/clip/open_groups.mp4",
    ]);
    let videos: Vec<Vec<u8>> = videos
        .into_iter()
        .map(|bytes| bytes[..bytes.len().min(1 << 20)].to_vec())
        .collect();
    let path = folder.path().join("clip");
    run("clips", cases, &videos, |bytes| {
        std::fs::write(&path, bytes).unwrap();
        let Ok(mut clip) = Clip::open(&path, &ClipOptions::default()) else {
            return;
        };
        let mut last_s = -1.0;
        for _ in 0..60 {
            match clip.next_frame(&mut Vec::new()) {
                Ok(Some(frame)) => {
                    assert!(frame.time_s > last_s);
                    last_s = frame.time_s;
                    assert_eq!(
                        frame.image.pixels.len(),
                        frame.image.width_px * frame.image.height_px
                    );
                }
                Ok(None) | Err(_) => break,
            }
        }
    });
}

#[test]
fn readers_hold_against_some_thousand_inputs() {
    all_readers(2_000, 300, 60);
}

#[test]
#[ignore = "takes hours; HINGEWISE_FUZZ is the number of inputs of each reader of texts"]
fn millions_of_inputs() {
    let asked = std::env::var("HINGEWISE_FUZZ")
        .ok()
        .and_then(|count| count.parse().ok());
    let count: u32 = asked.unwrap_or(1_000_000);
    all_readers(count, count / 10, count / 100);
}
