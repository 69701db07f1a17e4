//! The whole job on rendered clips with known truth, through the real binary.
//!
//! Clips and truth are own, ray-traced with a phone-like lens, sensor, tone curve and H.264; the
//! renderer shares no code with the crate. The bounds are a ratchet: they may only get tighter.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;

/// Truth of one hold: stick, left, right.
type TrueHold = [f64; 3];

fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn numbers(path: &str) -> Vec<Vec<f64>> {
    let mut reader = csv::Reader::from_path(root(path)).unwrap();
    let rows = reader.records().map(|row| row.unwrap());
    rows.map(|row| row.iter().map(|field| field.parse().unwrap()).collect())
        .collect()
}

fn true_holds(path: &str) -> Vec<TrueHold> {
    numbers(path)
        .into_iter()
        .map(|row| [row[0], row[1], row[2]])
        .collect()
}

fn measured(clip: &str, model: &str) -> Value {
    let camera = root("sample-frames/camera.toml");
    measured_by(clip, model, &["--camera", camera.to_str().unwrap()])
}

fn measured_by(clip: &str, model: &str, camera: &[&str]) -> Value {
    let out = tempfile::tempdir().unwrap();
    let mut command = Command::cargo_bin("hingewise").unwrap();
    let output = command
        .env("HINGEWISE_CACHE_DIR", out.path().join("kept"))
        .arg("measure")
        .arg(root(clip))
        .arg("--model")
        .arg(root(model))
        .args(camera)
        .arg("--out")
        .arg(out.path().join("report"))
        .args(["--force", "--json"])
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let kept = std::fs::read_to_string(out.path().join("report/measurement.json")).unwrap();
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let kept: Value = serde_json::from_str(&kept).unwrap();
    assert_eq!(told, kept, "standard output and the file tell the same");
    kept
}

/// Root mean square of left, right, and right minus left; and the share of intervals that hold
/// the truth.
fn errors(measurement: &Value, truth: &[TrueHold]) -> ([f64; 3], f64) {
    let side = |surface: usize| -> Vec<(f64, f64)> {
        let stations = measurement["surfaces"][surface]["stations"]
            .as_array()
            .unwrap();
        assert_eq!(
            stations.len(),
            truth.len(),
            "every hold is measured on both sides"
        );
        let pairs = stations.iter().zip(truth).map(|(station, hold)| {
            assert_eq!(station["stick_pct"].as_f64().unwrap(), hold[0]);
            let figure = |name: &str| station["deflection_deg"][name].as_f64().unwrap();
            (figure("value") - hold[1 + surface], figure("u"))
        });
        pairs.collect()
    };
    let (left, right) = (side(0), side(1));
    let rms = |values: &mut dyn Iterator<Item = f64>| {
        let squares: Vec<f64> = values.map(|value| value * value).collect();
        (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
    };
    let inside = left
        .iter()
        .chain(&right)
        .filter(|(error, u)| error.abs() <= *u)
        .count();
    let figures = [
        rms(&mut left.iter().map(|pair| pair.0)),
        rms(&mut right.iter().map(|pair| pair.0)),
        rms(&mut left
            .iter()
            .zip(&right)
            .map(|(left, right)| right.0 - left.0)),
    ];
    (figures, inside as f64 / (left.len() + right.len()) as f64)
}

/// True deflections against what the servo gets, by linear interpolation of a dense table.
struct TrueResponse(Vec<Vec<f64>>);

impl TrueResponse {
    fn at(&self, servo_pct: f64, column: usize) -> f64 {
        let next = self
            .0
            .partition_point(|row| row[0] < servo_pct)
            .clamp(1, self.0.len() - 1);
        let (a, b) = (&self.0[next - 1], &self.0[next]);
        let part = (servo_pct - a[0]) / (b[0] - a[0]);
        a[column] + part * (b[column] - a[column])
    }
}

/// What reaches the servo, after the file format's own formula, for straight joins.
fn servo_pct(correction: &Value, points_pct: &[f64], stick_pct: f64) -> f64 {
    let list = |name: &str| -> Vec<f64> {
        correction[name]
            .as_array()
            .unwrap()
            .iter()
            .map(|value| value.as_f64().unwrap())
            .collect()
    };
    let added = list("curve_pct");
    let next = points_pct
        .partition_point(|point| *point < stick_pct)
        .clamp(1, points_pct.len() - 1);
    let part = (stick_pct - points_pct[next - 1]) / (points_pct[next] - points_pct[next - 1]);
    let curve = stick_pct + added[next - 1] + part * (added[next] - added[next - 1]);
    let end_points = list("end_points_pct");
    let end_point = if curve < 0.0 {
        end_points[0]
    } else {
        end_points[1]
    };
    correction["sub_trim_pct"].as_f64().unwrap() + curve * end_point / 100.0
}

const POINTS_PCT: [f64; 9] = [-100.0, -75.0, -50.0, -25.0, 0.0, 25.0, 50.0, 75.0, 100.0];

/// Half a step of the radio (1 %) at the steepest place of these responses (0.30° a %), plus 0.10°.
const CLOSED_LOOP_DEG: f64 = 0.5 * 0.30 + 0.10;

/// Largest true mismatch after the numbers are entered, over the whole travel of the stick; the reference's end
/// point at +100 % is what is given.
fn true_mismatch_deg(correction: &Value, response: &TrueResponse, reference_end_pct: f64) -> f64 {
    (-100..=100)
        .map(|stick_pct| {
            let stick_pct = f64::from(stick_pct);
            let reference_pct = if stick_pct > 0.0 {
                stick_pct * reference_end_pct / 100.0
            } else {
                stick_pct
            };
            let left = response.at(reference_pct, 1) - response.at(0.0, 1);
            let servo_pct = servo_pct(correction, &POINTS_PCT, stick_pct);
            let right = response.at(servo_pct, 2) - response.at(0.0, 2);
            (right - left).abs()
        })
        .fold(0.0, f64::max)
}

#[test]
fn a_tripod_clip_with_station_cards_is_measured_and_matched() {
    let measurement = measured("sample-frames/cards.mp4", "sample-frames/model.toml");
    let truth = true_holds("sample-frames/cards-true-stations.csv");
    let ([left, right, difference], held) = errors(&measurement, &truth);
    println!("left {left:.4}°, right {right:.4}°, difference {difference:.4}°, held {held:.2}");
    assert!(left <= 0.022 && right <= 0.031 && difference <= 0.035);
    assert!(held >= 0.97);

    // The right side cannot reach the left side's end at +100. The report says so, and gives numbers for the travel
    // that both reach.
    let codes = measurement["warnings"].as_array().unwrap();
    assert!(
        codes
            .iter()
            .any(|warning| warning["text"].as_str().unwrap().contains("short of"))
    );
    let response = TrueResponse(numbers("tests/data/clips/cards-true-response.csv"));
    let common = &measurement["matches"][0]["out_of_reach"][0];
    let reference_end_pct = common["reference_end_point_pct"].as_f64().unwrap();
    let worst_deg = true_mismatch_deg(&common["common_settings"], &response, reference_end_pct);
    println!("true mismatch after the correction: {worst_deg:.3}°");
    assert!(worst_deg <= CLOSED_LOOP_DEG);
}

#[test]
fn a_hand_held_clip_with_holds_in_a_declared_order_is_measured_and_matched() {
    let model = "sample-frames/elevator.toml";
    let measurement = measured("sample-frames/elevator.mp4", model);
    let truth = true_holds("sample-frames/elevator-true-stations.csv");
    let ([left, right, difference], held) = errors(&measurement, &truth);
    println!("left {left:.4}°, right {right:.4}°, difference {difference:.4}°, held {held:.2}");
    assert!(left <= 0.025 && right <= 0.025 && difference <= 0.033);
    assert!(held >= 0.95);
    assert_eq!(measurement["camera"]["moved"], true);
    assert!(measurement["camera"]["landmarks"].as_u64().unwrap() >= 10);

    let response = TrueResponse(numbers("tests/data/clips/handheld-true-response.csv"));
    let correction = &measurement["matches"][0]["correction"];
    let worst_deg = true_mismatch_deg(correction, &response, 100.0);
    println!("true mismatch after the correction: {worst_deg:.3}°");
    assert!(worst_deg <= CLOSED_LOOP_DEG);
}

fn codes(measurement: &Value) -> Vec<&str> {
    let warnings = measurement["warnings"].as_array().unwrap();
    let codes = warnings.iter().map(|one| one["code"].as_str().unwrap());
    codes.collect()
}

/// True focal length: 1512.6 px, in `sample-frames/camera.toml`.
#[test]
fn a_focal_length_off_by_a_twentieth_is_named_in_the_hand() {
    let folder = tempfile::tempdir().unwrap();
    let profile = std::fs::read_to_string(root("sample-frames/camera.toml")).unwrap();
    for focal_px in ["1437.0", "1588.2"] {
        let file = folder.path().join("camera.toml");
        std::fs::write(&file, profile.replace("1512.6", focal_px)).unwrap();
        let camera = ["--camera", file.to_str().unwrap()];
        let measurement = measured_by(
            "sample-frames/elevator.mp4",
            "sample-frames/elevator.toml",
            &camera,
        );
        let codes = codes(&measurement);
        assert!(
            codes.contains(&"profile-contradicted"),
            "{focal_px}: {codes:?}"
        );
    }
}

#[test]
fn a_field_of_view_in_place_of_a_profile_raises_no_grave_warning() {
    // True: 72.1 degrees across the diagonal, by the focal length.
    let measurement = measured_by(
        "sample-frames/cards.mp4",
        "sample-frames/model.toml",
        &["--field-of-view-deg", "72"],
    );
    let warnings = measurement["warnings"].as_array().unwrap();
    let grave: Vec<_> = warnings.iter().filter(|one| one["grave"] == true).collect();
    assert!(grave.is_empty(), "{grave:?}");
}
