//! Clips with flipped bits: each station is right within its ±, or missing, and the report names the damage.
//!
//! Truth: `sample-frames/cards-true-stations.csv`, the deflections that the clip was rendered with.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use super::{measure, project, said};
use crate::support::random::Random;

const RATE: f64 = 30.0;

/// A true hold.
#[derive(Debug, Clone, Copy)]
struct Hold {
    middle_s: f64,
    sides_deg: [f64; 2],
}

fn truth() -> Vec<Hold> {
    let text = std::fs::read_to_string(project("sample-frames/cards-true-stations.csv")).unwrap();
    let hold = |line: &str| {
        let row: Vec<f64> = line
            .split(',')
            .map(|field| field.parse().unwrap())
            .collect();
        Hold {
            middle_s: (row[3] + row[4]) / 2.0 / RATE,
            sides_deg: [row[1], row[2]],
        }
    };
    text.lines().skip(1).map(hold).collect()
}

/// Where the coded pictures lie in a file: its `mdat` box (ISO/IEC 14496-12, 8.1.1).
fn pictures(bytes: &[u8]) -> Range<usize> {
    let mut at = 0;
    loop {
        let length = u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        assert!(length >= 8, "a box of usual length");
        if &bytes[at + 4..at + 8] == b"mdat" {
            return at + 8..at + length;
        }
        at += length;
    }
}

#[derive(Debug, Default, Clone, Copy)]
struct Score {
    clips: usize,
    damaged: usize,
    told: usize,
    false_alarms: usize,
    stations: usize,
    inside: usize,
    missing: usize,
    not_measured: usize,
}

impl Score {
    fn add(&mut self, other: Self) {
        self.clips += other.clips;
        self.damaged += other.damaged;
        self.told += other.told;
        self.false_alarms += other.false_alarms;
        self.stations += other.stations;
        self.inside += other.inside;
        self.missing += other.missing;
        self.not_measured += other.not_measured;
    }

    fn share_inside(&self) -> f64 {
        self.inside as f64 / self.stations.max(1) as f64
    }
}

/// Measures a clip and compares it with the truth.
fn judged(clip: &Path, is_damaged: bool) -> Score {
    let folder = tempfile::tempdir().unwrap();
    let output = measure(folder.path(), clip, "out")
        .arg("--json")
        .output()
        .unwrap();
    let mut score = Score {
        clips: 1,
        damaged: usize::from(is_damaged),
        ..Score::default()
    };
    if !output.status.success() {
        println!("{}: {}", clip.display(), said(&output));
        score.not_measured = 1;
        score.told = usize::from(is_damaged);
        return score;
    }
    let measurement: Value = serde_json::from_slice(&output.stdout).unwrap();
    let warnings = measurement["warnings"].as_array().unwrap();
    let is_told = |warning: &Value| {
        let code = warning["code"].as_str().unwrap();
        ["frames-lost", "clip-ends-early"].contains(&code)
    };
    let told = warnings.iter().any(is_told);
    score.told = usize::from(told && is_damaged);
    score.false_alarms = usize::from(told && !is_damaged);
    let holds = truth();
    for (side, surface) in measurement["surfaces"]
        .as_array()
        .unwrap()
        .iter()
        .enumerate()
    {
        let stations = surface["stations"].as_array().unwrap();
        score.missing += holds.len() - stations.len();
        let found: Vec<(&Value, f64)> = stations
            .iter()
            .map(|station| (station, true_deg(&holds, station, side)))
            .collect();
        // Deflections count from the mean of the visits to neutral, of those that are left.
        let neutral = found
            .iter()
            .filter(|(station, _)| station["stick_pct"] == 0.0);
        let (frames, sum) = neutral.fold((0.0, 0.0), |(frames, sum), (station, true_deg)| {
            let weight = station["frames"].as_f64().unwrap();
            (frames + weight, sum + weight * true_deg)
        });
        let zero_deg = if frames > 0.0 { sum / frames } else { 0.0 };
        for (station, true_deg) in found {
            let deflection = &station["deflection_deg"];
            let error_deg = deflection["value"].as_f64().unwrap() - (true_deg - zero_deg);
            let inside = error_deg.abs() <= deflection["u"].as_f64().unwrap();
            score.stations += 1;
            score.inside += usize::from(inside);
            if !inside {
                println!("{}: {error_deg:.3}° at {station}", clip.display());
            }
        }
    }
    score
}

fn true_deg(holds: &[Hold], station: &Value, side: usize) -> f64 {
    let time = |end: usize| station["time_s"][end].as_f64().unwrap();
    let middle_s = (time(0) + time(1)) / 2.0;
    let distance = |hold: &&Hold| (hold.middle_s - middle_s).abs();
    let nearest = holds
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)));
    nearest.unwrap().sides_deg[side]
}

/// The clip with single bits flipped, in a file of its own.
fn flipped(clip: &Path, folder: &Path, bits: &[(usize, u8)]) -> PathBuf {
    let mut bytes = std::fs::read(clip).unwrap();
    for &(byte, bit) in bits {
        bytes[byte] ^= 1 << bit;
    }
    let path = folder.join("clip.mp4");
    std::fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn one_flipped_bit_is_told_with_its_times_and_bends_no_station() {
    let folder = tempfile::tempdir().unwrap();
    let clip = flipped(
        &project("sample-frames/cards.mp4"),
        folder.path(),
        &[(1_699_560, 6)],
    );
    let output = measure(folder.path(), &clip, "out")
        .arg("--json")
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", said(&output));
    let measurement: Value = serde_json::from_slice(&output.stdout).unwrap();
    let warnings = measurement["warnings"].as_array().unwrap();
    let lost = warnings
        .iter()
        .find(|warning| warning["code"] == "frames-lost")
        .unwrap();
    // ffmpeg's `framemd5` of the clip before and after: pictures 250 to 352 differ, 8.33 to 11.73 s.
    let text = lost["text"].as_str().unwrap();
    assert!(
        text.contains("103 frames were left out, from 8.33 s to 11.73 s"),
        "{text}"
    );
    let page = std::fs::read_to_string(folder.path().join("out/report.html")).unwrap();
    assert!(page.contains("from 8.33 s to 11.73 s"));
    let score = judged(&clip, true);
    assert_eq!(score.inside, score.stations, "{score:?}");
}

#[test]
fn flipped_bits_all_over_a_clip_bend_no_station() {
    let sample = project("sample-frames/cards.mp4");
    let mut total = Score::default();
    // One bit each in pictures 209, 249, 151 and 229 (by `framemd5`), and ten at once.
    let ten: Vec<(usize, u8)> = (0..10)
        .map(|n| (1_900_000 + 40_007 * n, (n % 8) as u8))
        .collect();
    let flips: [&[(usize, u8)]; 5] = [
        &[(1_453_860, 4)],
        &[(1_653_792, 1)],
        &[(1_045_170, 0)],
        &[(1_565_838, 3)],
        &ten,
    ];
    for bits in flips {
        let folder = tempfile::tempdir().unwrap();
        total.add(judged(&flipped(&sample, folder.path(), bits), true));
    }
    println!("{total:?}");
    assert_eq!(total.told, total.damaged, "{total:?}");
    assert!(total.share_inside() >= 0.95, "{total:?}");
    assert!(total.stations > 100, "{total:?}");
}

#[test]
fn an_undamaged_clip_loses_nothing() {
    let score = judged(&project("sample-frames/cards.mp4"), false);
    assert_eq!(
        (score.false_alarms, score.missing, score.stations),
        (0, 0, 34)
    );
}

/// How the sample clip is coded again, by ffmpeg: pictures a second apart or more from key frame to key frame,
/// with pictures predicted from both sides and without.
const CODINGS: [(&str, &[&str]); 4] = [
    ("h264-8", &["-c", "copy"]),
    (
        "h264-10",
        &[
            "-c:v",
            "libx264",
            "-pix_fmt",
            "yuv420p10le",
            "-g",
            "30",
            "-crf",
            "18",
        ],
    ),
    (
        "hevc-8",
        &[
            "-c:v",
            "libx265",
            "-pix_fmt",
            "yuv420p",
            "-crf",
            "18",
            "-x265-params",
            "keyint=30:bframes=0",
        ],
    ),
    (
        "hevc-10",
        &[
            "-c:v",
            "libx265",
            "-pix_fmt",
            "yuv420p10le",
            "-crf",
            "18",
            "-x265-params",
            "keyint=60",
        ],
    ),
];

/// Clips of each coding.
const CLIPS_EACH: usize = 50;

/// Checksums of the pictures of a clip by ffmpeg, by time stamp; one thread, so that damage is made up for in
/// one way only.
fn checksums(clip: &Path) -> BTreeMap<String, String> {
    let output = Command::new("ffmpeg")
        .args(["-v", "quiet", "-threads", "1", "-i"])
        .arg(clip)
        .args(["-map", "0:v", "-f", "framemd5", "-"])
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let rows = text.lines().filter(|line| !line.starts_with('#'));
    rows.map(|line| {
        let fields: Vec<&str> = line.split(',').map(str::trim).collect();
        (fields[2].to_owned(), fields[5].to_owned())
    })
    .collect()
}

#[test]
#[ignore = "needs ffmpeg with libx264 and libx265, and a quarter of an hour"]
fn two_hundred_damaged_clips() {
    let folder = tempfile::tempdir().unwrap();
    let mut total = Score::default();
    let mut random = Random::new(23);
    for (name, options) in CODINGS {
        let whole = folder.path().join(format!("{name}.mp4"));
        let status = Command::new("ffmpeg")
            .args(["-v", "error", "-i"])
            .arg(project("sample-frames/cards.mp4"))
            .args(options)
            .arg(&whole)
            .status()
            .unwrap();
        assert!(status.success());
        let expected = checksums(&whole);
        let place = pictures(&std::fs::read(&whole).unwrap());
        let mut score = Score::default();
        for clip in 0..CLIPS_EACH {
            // Ten bits in each fifth clip, one in the others.
            let count = if clip % 5 == 4 { 10 } else { 1 };
            let bits: Vec<(usize, u8)> = (0..count)
                .map(|_| {
                    let part = random.between(0.0, 1.0);
                    let at = place.start + (part * place.len() as f64) as usize;
                    (at, (random.between(0.0, 8.0) as u8).min(7))
                })
                .collect();
            let damaged = flipped(&whole, folder.path(), &bits);
            score.add(judged(&damaged, checksums(&damaged) != expected));
        }
        println!(
            "{name}: {score:?}, {:.1} % inside",
            100.0 * score.share_inside()
        );
        total.add(score);
    }
    println!(
        "all: {total:?}, {:.1} % inside",
        100.0 * total.share_inside()
    );
    assert!(total.share_inside() >= 0.95, "{total:?}");
    // Some damage neither makes the decoder speak nor ends in a jump.
    assert!(
        total.told as f64 >= 0.95 * total.damaged as f64,
        "{total:?}"
    );
}
