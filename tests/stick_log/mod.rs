//! Stick logs of another clock and sweeps without holds, on synthetic films with known truth.
//!
//! The truth is the synthetic world's (`tests/support`): its own servos with dead band, lag and
//! largest speed, its own linkages and play. It shares no code with what is tested.

#![allow(clippy::unwrap_used)]

mod film;
mod reference;
mod refusals;
mod sweeps;

use std::path::Path;

use crate::support::filming;
use crate::support::filming::Filming;
use crate::support::random::Random;
use film::{LOGGING, Logging, measured, uneven};

#[test]
fn the_clock_offset_is_found_to_five_milliseconds() {
    let mut of_claims = vec![];
    for seed in 0..12 {
        let filming = Filming {
            seed,
            hand: if seed % 2 == 0 { 0.0 } else { 1.0 },
            ..filming::tripod()
        };
        let logging = Logging {
            clock_offset_s: Random::new(seed).between(-5.0, 90_000.0),
            margin_s: Random::new(seed).between(0.5, 40.0),
            ..LOGGING
        };
        let measured = measured(&uneven(seed), &filming, logging);
        let timing = measured.holds.log.unwrap();
        let error_s = timing.clock_offset_s.value - logging.clock_offset_s;
        println!(
            "seed {seed}: {error_s:+.4} ± {:.4} s",
            timing.clock_offset_s.u()
        );
        assert!(error_s.abs() < 0.005, "seed {seed}: {error_s}");
        for (found, built) in timing.surfaces.iter().zip(&measured.film.aircraft.surfaces) {
            let lag_error_s = found.lag_s.value - built.servo.lag_s;
            assert!(
                lag_error_s.abs() < 0.008,
                "seed {seed}: lag off by {lag_error_s}"
            );
        }
        // The world's servo takes its command up to a time step of 2.8 ms early.
        let step_s = 1.0 / (30.0 * 12.0);
        of_claims.push((error_s.abs() - step_s).max(0.0) / timing.clock_offset_s.sd);
        assert_eq!(measured.holds.holds.len(), 17, "seed {seed}");
        let frames = measured
            .holds
            .stick_pct
            .iter()
            .zip(&measured.film.truth.frames);
        for (told, truth) in frames {
            let off_pct = told.unwrap() - truth.stick_pct;
            // 5 ms on ramps of 100 %/s, a log's step and its straight joins.
            assert!(off_pct.abs() < 1.6, "{} s: {off_pct}", truth.time_s);
        }
    }
    let inside = of_claims.iter().filter(|claim| **claim <= 2.0).count();
    assert!(inside >= 10, "{inside} of {} inside", of_claims.len());
}

/// The hand-held clip with its true stick as a log of another clock, through the real binary.
#[test]
fn a_rendered_clip_is_measured_by_a_log_as_by_the_order_of_its_holds() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let data = |name: &str| std::fs::read_to_string(root.join("tests/data").join(name)).unwrap();
    let fields = |line: &str| -> Vec<f64> {
        line.split(',')
            .map_while(|field| field.parse().ok())
            .collect()
    };
    let clock_offset_s = 512.345;
    let frames: Vec<Vec<f64>> = data("holds/handheld_frames.csv")
        .lines()
        .skip(1)
        .map(fields)
        .collect();
    let mut log = String::from("time_s,stick_pct\n");
    for row in &frames {
        log += &format!("{:.4},{:.2}\n", row[0] + clock_offset_s, row[1]);
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("stick.csv"), log).unwrap();
    let model = std::fs::read_to_string(root.join("sample-frames/elevator.toml"))
        .unwrap()
        .replace("from = \"order\"", "from = \"log\"\nfile = \"stick.csv\"")
        .replace("order = [", "# order = [");
    let model_path = folder.path().join("model.toml");
    std::fs::write(&model_path, model).unwrap();
    let out = folder.path().join("report");
    let output = assert_cmd::Command::cargo_bin("hingewise")
        .unwrap()
        .env("HINGEWISE_CACHE_DIR", folder.path().join("kept"))
        .arg("measure")
        .arg(root.join("sample-frames/elevator.mp4"))
        .arg("--model")
        .arg(&model_path)
        .arg("--camera")
        .arg(root.join("sample-frames/camera.toml"))
        .arg("--out")
        .arg(&out)
        .arg("--json")
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    let kept: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let offset = &kept["stick_log"]["clock_offset_s"];
    let (value, u) = (
        offset["value"].as_f64().unwrap(),
        offset["u"].as_f64().unwrap(),
    );
    println!(
        "{:+.4} ± {u:.4} s; {}",
        value - clock_offset_s,
        kept["stick_log"]
    );
    assert!((value - clock_offset_s).abs() < 0.005, "{value}");
    let truth = root.join("sample-frames/elevator-true-stations.csv");
    let truth: Vec<Vec<f64>> = std::fs::read_to_string(truth)
        .unwrap()
        .lines()
        .skip(1)
        .map(fields)
        .collect();
    for surface in 0..2 {
        let stations = kept["surfaces"][surface]["stations"].as_array().unwrap();
        assert_eq!(stations.len(), truth.len());
        let squares = stations.iter().zip(&truth).map(|(station, hold)| {
            assert_eq!(station["stick_pct"].as_f64().unwrap(), hold[0]);
            let found = station["deflection_deg"]["value"].as_f64().unwrap();
            (found - hold[1 + surface]).powi(2)
        });
        let rms = (squares.sum::<f64>() / truth.len() as f64).sqrt();
        println!("surface {surface}: {rms:.4}°");
        assert!(rms < 0.025, "{rms}");
    }
    let table = std::fs::read_to_string(out.join("frames.csv")).unwrap();
    let sticks = table
        .lines()
        .skip(1)
        .filter_map(|line| line.rsplit(',').next()?.parse().ok());
    let known: Vec<f64> = sticks.collect();
    assert!(
        known.len() > 2 * frames.len() - 8,
        "{} of {}",
        known.len(),
        2 * frames.len()
    );
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(page.contains("Stick log"));
}
