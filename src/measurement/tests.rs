use std::path::Path;

use approx::assert_relative_eq;
use nalgebra::{DMatrix, DVector, Point3, Unit, Vector3};
use proptest::prelude::*;

use super::sample::{LEFT, RIGHT, heron};
use super::*;
use crate::matching::MatchingWarning;
use crate::motion::{FrameDeflection, Motion, MotionFrame, MotionWarning, SurfaceMotion};
use crate::stations::{Holds, Sweeps};

fn read(text: &str) -> Result<Measurement, MeasurementError> {
    Measurement::from_json(text, Path::new("measurement.json"))
}

/// The example of the file format's description, field by field.
const INTERFACE_EXAMPLE: &str = r#"{
  "format": "hingewise.measurement", "version": 1,
  "clip": {"path": "a.mp4", "frames": 510, "duration_s": 17.0, "width_px": 1920, "height_px": 1080},
  "camera": {"profile": "phone", "moved": false},
  "surfaces": [{
    "name": "left tailplane", "tag": 10,
    "hinge": {"axis": [0.98, 0.02, 0.17], "point_mm": [0, 0, 900], "radius_mm": {"value": 88.7, "u": 0.4}},
    "stations": [{"stick_pct": 25.0, "approach": "rising", "time_s": [3.1, 4.6], "frames": 41, "hold": 0,
                  "deflection_deg": {"value": 6.213, "u": 0.031}, "throw_mm": {"value": 9.61, "u": 0.06}}],
    "health": {"play_deg": {"value": 0.12, "u": 0.04}, "return_to_neutral_deg": {"value": 0.1, "u": 0.04},
               "jitter_deg": {"value": 0.01, "u": 0.04}, "early_stop": []}
  }, {
    "name": "right tailplane", "tag": 11,
    "hinge": {"axis": [0.98, 0.02, 0.17], "point_mm": [0, 0, 900], "radius_mm": {"value": 88.7, "u": 0.4}},
    "stations": [], "health": {"early_stop": []}
  }],
  "matches": [{
    "reference": "left tailplane", "follower": "right tailplane",
    "mismatch_deg": [{"stick_pct": 25.0, "value": 0.84, "u": 0.04}],
    "correction": {"curve_pct": [0, 1], "sub_trim_pct": 0.0, "end_points_pct": [100, 97]},
    "predicted_deg": {"worst": 0.14, "rms": 0.06, "u": 0.05, "stations": [{"stick_pct": 25.0, "value": 0.02, "u": 0.05}]}
  }],
  "warnings": [{"code": "a", "text": "b", "mend": "c"}]
}"#;

#[test]
fn the_published_example_is_read() {
    let measurement = read(INTERFACE_EXAMPLE).unwrap();
    let left = measurement.surface(LEFT).unwrap();
    assert_eq!(left.stations[0].deflection_deg.value, 6.213);
    assert_eq!(left.stations[0].deflection_deg.u(), 0.031);
    assert_eq!(measurement.matches[0].found_deg[0].mismatch_deg.value, 0.84);
    assert_eq!(
        measurement.matches[0].settings.end_points_pct,
        [100.0, 97.0]
    );
    // Without a kept covariance the stations count as independent: (0.031 / 2)².
    assert_relative_eq!(
        measurement.responses().covariance_deg2[(0, 0)],
        0.000_240_25,
        max_relative = 1e-12
    );
}

#[test]
fn every_field_of_the_published_example_is_written_under_its_name() {
    let published: serde_json::Value = serde_json::from_str(INTERFACE_EXAMPLE).unwrap();
    let written: serde_json::Value =
        serde_json::from_str(&read(INTERFACE_EXAMPLE).unwrap().to_json().unwrap()).unwrap();
    assert_holds(&written, &published, "");
}

/// Every field and figure of `published` is in `written` as well.
fn assert_holds(written: &serde_json::Value, published: &serde_json::Value, place: &str) {
    match published {
        serde_json::Value::Object(fields) => {
            for (name, field) in fields {
                assert_holds(&written[name], field, &format!("{place}.{name}"));
            }
        }
        serde_json::Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                assert_holds(&written[index], item, &format!("{place}[{index}]"));
            }
        }
        serde_json::Value::Number(number) => {
            assert_eq!(written.as_f64(), number.as_f64(), "{place}");
        }
        other => assert_eq!(written, other, "{place}"),
    }
}

#[test]
fn what_is_written_is_read_back_unchanged() {
    let measurement = heron();
    let text = measurement.to_json().unwrap();
    let again = read(&text).unwrap();
    assert_eq!(again, measurement);
    assert_eq!(again.to_json().unwrap(), text);
}

#[test]
fn responses_come_back_for_matching_again() {
    let measurement = heron();
    let responses = measurement.responses();
    assert_eq!(responses.surfaces[1].surface, RIGHT);
    assert_eq!(
        responses.surfaces[1].stations,
        measurement.surfaces[1].stations
    );
    assert_eq!(responses.covariance_deg2.shape(), (34, 34));
    assert_eq!(
        responses.covariance_deg2[(2, 20)],
        measurement.station_covariance_deg2[2][20]
    );
}

#[test]
fn lists_of_figures_stand_on_one_line() {
    let text = heron().to_json().unwrap();
    assert!(text.contains("\n  \"version\": 1,\n"), "{text}");
    assert!(text.contains("\"point_mm\": [-236.0,8.5,862.0]"), "{text}");
}

#[test]
fn other_kinds_of_files_are_refused_with_the_reason() {
    assert!(matches!(
        read("{ no json"),
        Err(MeasurementError::Damaged { line: 1, .. })
    ));
    assert!(matches!(
        read("no json"),
        Err(MeasurementError::OtherFormat { .. })
    ));
    assert!(matches!(
        read("[1, 2]"),
        Err(MeasurementError::OtherFormat { .. })
    ));
    assert!(matches!(
        read(r#"{"format": "something.else", "version": 1}"#),
        Err(MeasurementError::OtherFormat { .. })
    ));
    let newer = heron()
        .to_json()
        .unwrap()
        .replace("\"version\": 1", "\"version\": 2");
    let error = read(&newer).unwrap_err();
    assert!(matches!(error, MeasurementError::OtherVersion { .. }));
    assert_eq!(
        error.to_string(),
        "measurement.json has version 2; this program reads version 1"
    );
}

fn function(name: &str, surface: &str) -> FunctionRecord {
    FunctionRecord {
        name: name.into(),
        surfaces: vec![surface.into()],
        neutral: None,
        stick_log: None,
    }
}

#[test]
fn records_of_two_functions_join_to_one_that_can_be_read() {
    let part = |name: &str, surface: usize| {
        let mut part = heron();
        part.surfaces = vec![part.surfaces[surface].clone()];
        part.functions = vec![function(name, &part.surfaces[0].name)];
        part.trace.deflection_deg = vec![part.trace.deflection_deg[surface].clone()];
        let count = part.surfaces[0].stations.len();
        part.station_covariance_deg2 = vec![vec![1e-3; count]; count];
        (part.groups, part.matches, part.lags) = (vec![], vec![], vec![]);
        part
    };
    let (left, right) = (part("left", 0), part("right", 1));
    let counts = [&left, &right].map(|part| part.surfaces[0].stations.len());
    let joined = Measurement::joined(vec![left, right]).unwrap();
    let names: Vec<&str> = joined
        .surfaces
        .iter()
        .map(|one| one.name.as_str())
        .collect();
    assert_eq!(names, [LEFT, RIGHT]);
    assert_eq!(joined.function_of(RIGHT), Some("right"));
    // A warning of both parts is one warning.
    assert_eq!(joined.warnings, heron().warnings);
    let covariance = joined.responses().covariance_deg2;
    assert_eq!(covariance.nrows(), counts[0] + counts[1]);
    assert_eq!(covariance[(0, counts[0] - 1)], 1e-3);
    assert_eq!(covariance[(0, counts[0])], 0.0);
    assert_eq!(covariance[(counts[0], counts[0] + 1)], 1e-3);
    assert_eq!(read(&joined.to_json().unwrap()).unwrap(), joined);
}

#[test]
fn contradictions_are_refused_and_named() {
    let refused = |change: fn(&mut Measurement)| {
        let mut measurement = heron();
        change(&mut measurement);
        read(&measurement.to_json().unwrap())
            .unwrap_err()
            .to_string()
    };
    let twice = refused(|measurement| measurement.surfaces[1].name = LEFT.into());
    assert!(twice.contains("is listed twice"), "{twice}");
    let of_function =
        refused(|measurement| measurement.functions = vec![function("rudder", "fin")]);
    assert!(
        of_function.contains("functions") && of_function.contains("\"fin\", which is no surface"),
        "{of_function}"
    );
    let unknown = refused(|measurement| measurement.matches[0].follower = "fin".into());
    assert!(
        unknown.contains("\"fin\", which is no surface"),
        "{unknown}"
    );
    let missing_row = refused(|measurement| {
        measurement.station_covariance_deg2.pop();
    });
    assert!(missing_row.contains("34 × 34"), "{missing_row}");
    let negative = refused(|measurement| {
        measurement.surfaces[0].stations[3].deflection_deg.sd = -0.1;
    });
    assert!(negative.contains("negative uncertainty"), "{negative}");
    let points = refused(|measurement| {
        let radio = measurement.radio.as_mut().unwrap();
        radio.active.get_mut(RIGHT).unwrap().curve_pct.pop();
    });
    assert!(points.contains("8 curve points"), "{points}");
    let trace = refused(|measurement| {
        measurement.trace.time_s.pop();
    });
    assert!(trace.contains("339 long"), "{trace}");
}

#[test]
fn what_is_no_number_is_refused_when_kept() {
    let measurement = heron();
    let mut correction = measurement.matches[0].clone();
    correction.predicted_deg.worst = f64::NAN;
    let kept = measurement.rematched(Vec::new(), None, vec![correction], &[]);
    assert!(matches!(kept, Err(MeasurementError::NotFinite { .. })));
    let mut measurement = heron();
    measurement.station_covariance_deg2[3][2] = f64::NAN;
    let kept = measurement.rematched(Vec::new(), None, Vec::new(), &[]);
    assert!(matches!(kept, Err(MeasurementError::NotFinite { .. })));
}

#[test]
fn matching_again_replaces_the_doubts_of_matching_and_keeps_the_others() {
    let mut measurement = heron();
    let matching = MatchingWarning::RadioNotDeclared;
    measurement.warnings = vec![(&MotionWarning::NoAirframeTag).into(), (&matching).into()];
    let codes = |warnings: &[MatchingWarning]| -> Vec<String> {
        let matched = measurement.rematched(Vec::new(), None, Vec::new(), warnings);
        let kept = matched.unwrap().warnings;
        kept.into_iter().map(|warning| warning.code).collect()
    };
    assert_eq!(codes(&[]), ["no-airframe-tag"]);
    assert_eq!(
        codes(std::slice::from_ref(&matching)),
        ["no-airframe-tag", "radio-not-declared"]
    );
}

#[test]
fn figures_are_rounded_to_a_millionth() {
    let measurement = heron();
    let mut correction = measurement.matches[0].clone();
    correction.predicted_deg.worst = 0.123_456_789;
    correction.predicted_deg.rms = -1e-9;
    let kept = measurement
        .rematched(Vec::new(), None, vec![correction], &[])
        .unwrap();
    assert_eq!(kept.matches[0].predicted_deg.worst, 0.123_457);
    assert!(kept.matches[0].predicted_deg.rms.is_sign_positive());
}

/// Two surfaces, three frames, one constant of the fit that turns both alike.
fn small_motion() -> Motion {
    let frame = |index: usize, left_rad: f64, right_rad: Option<f64>| MotionFrame {
        index,
        time_s: index as f64 * 0.1,
        deflections: [Some(left_rad), right_rad]
            .into_iter()
            .map(|angle_rad| {
                angle_rad.map(|angle_rad| FrameDeflection {
                    angle_rad,
                    gain: DVector::from_element(1, angle_rad),
                    misfit: None,
                })
            })
            .collect(),
        own_covariance_rad2: DMatrix::identity(2, 2) * 1e-6,
    };
    let surface = |name: &str, tag_id| SurfaceMotion {
        name: name.into(),
        tag_id,
        axis_in_camera: Unit::new_normalize(-Vector3::x()),
        point_in_camera_mm: Point3::new(0.0, 0.0, 900.0),
        radius_mm: Measured::new(88.0, 0.2),
        arm_at_zero_in_camera: -Vector3::z_axis(),
    };
    Motion {
        surfaces: vec![surface(LEFT, 10), surface(RIGHT, 11)],
        frames: vec![
            frame(0, 0.1, Some(0.2)),
            frame(1, 0.1, None),
            frame(2, 0.4, Some(0.5)),
        ],
        camera_moved: false,
        landmarks: 0,
        picture: None,
        readout_s: None,
        reprojection_rms_px: 0.04,
        allowed_rms_px: 0.06,
        constants_covariance: DMatrix::from_element(1, 1, 1e-4),
        lasting: Default::default(),
        lens: crate::camera::Camera::from_intrinsics(
            &[1500.0, 1500.0, 960.0, 540.0, 0.0, 0.0, 0.0, 0.0, 0.0].into(),
        ),
        tags_at_zero: Default::default(),
        passes: Vec::new(),
    }
}

#[test]
fn frames_are_measured_from_neutral_with_its_uncertainty() {
    let holds = Holds {
        holds: Vec::new(),
        neutral_frames: vec![0, 1],
        level_frames: None,
        stick_pct: vec![Some(0.0), Some(0.0), None],
        sweeps: Sweeps::none(2),
        log: None,
    };
    let rows = frame_rows(&small_motion(), &holds);
    assert_eq!(rows.len(), 6);
    assert_eq!(rows[3].deflection_deg, None);
    assert_eq!(rows[4].stick_pct, None);
    let left = rows[4].deflection_deg.unwrap();
    // By hand: 0.4 − mean(0.1, 0.1); gain 0.4 − 0.1; own noise 1e-6 · (1 + ½).
    assert_relative_eq!(left.value, 0.3f64.to_degrees(), epsilon = 1e-12);
    let variance_rad2: f64 = 0.3 * 0.3 * 1e-4 + 1.5e-6;
    assert_relative_eq!(left.sd, variance_rad2.sqrt().to_degrees(), epsilon = 1e-12);
    // The right one's only neutral frame is the first, so there it is exactly zero.
    assert_eq!(rows[1].deflection_deg.unwrap().sd, 0.0);
}

#[test]
fn without_neutral_no_deflection_is_reported() {
    let holds = Holds {
        holds: Vec::new(),
        neutral_frames: Vec::new(),
        level_frames: None,
        stick_pct: vec![None; 3],
        sweeps: Sweeps::none(2),
        log: None,
    };
    let rows = frame_rows(&small_motion(), &holds);
    assert!(rows.iter().all(|row| row.deflection_deg.is_none()));
}

#[test]
fn what_the_stages_hand_on_is_kept_and_read_back() {
    let sample = heron();
    let motion = small_motion();
    let holds = Holds {
        holds: Vec::new(),
        neutral_frames: vec![0, 1],
        level_frames: None,
        stick_pct: vec![Some(0.0), Some(0.0), None],
        sweeps: Sweeps::none(2),
        log: None,
    };
    let seen = |index: usize| crate::tags::SightedFrame {
        index,
        time_s: index as f64 * 0.1,
        sightings: Vec::new(),
        dropped: Vec::new(),
        landmarks: Vec::new(),
    };
    let kept = Measurement::assemble(&Stages {
        sightings: &crate::tags::Sightings {
            clip: clip(),
            frames: (0..3).map(seen).collect(),
            overview: crate::tags::Overview::default(),
        },
        profile: &crate::camera::CameraProfile::from_field_of_view(70.0, 1920, 1080).unwrap(),
        model: &crate::model_file::ModelFile::read(Path::new(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/data/model_file/good.toml"
        )))
        .unwrap(),
        function: None,
        motion: &motion,
        rows: &frame_rows(&motion, &holds),
        responses: &sample.responses(),
        stick_log: None,
        corrections: &sample.matches,
        warnings: &[(&MotionWarning::NoAirframeTag).into()],
        date: Some("2026-11-25"),
    })
    .unwrap();
    assert_eq!(kept.model, "Heron 2.1 m");
    // Three frames a tenth of a second apart: the last one is shown as long as the others.
    assert_eq!(kept.clip.duration_s, 0.3);
    assert_eq!(kept.surfaces[0].chord_mm, Some(92.0));
    assert_eq!(kept.surfaces[1].edge_mm, Some(8.0));
    assert_eq!(kept.surfaces[1].frames_measured, 2);
    assert_eq!(kept.surfaces[0].hinge.axis, [-1.0, 0.0, 0.0]);
    assert_eq!(kept.surfaces[0].stations, sample.surfaces[0].stations);
    assert_eq!(kept.warnings[0].code, "no-airframe-tag");
    assert_eq!(kept.trace.time_s, [0.0, 0.1, 0.2]);
    assert_eq!(kept.trace.deflection_deg[1][1], None);
    assert_eq!(read(&kept.to_json().unwrap()).unwrap(), kept);
}

fn clip() -> crate::clip::ClipInfo {
    crate::clip::ClipInfo {
        path: "clips/heron.mp4".into(),
        width_px: 1920,
        height_px: 1080,
        levels: crate::clip::Levels {
            black: 16,
            white: 235,
        },
        transfer: crate::clip::Transfer::Power,
        lines: crate::clip::Lines::Rows,
        claimed_frames: None,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// Reading damaged files ends in a value or a typed error, never in a panic.
    #[test]
    fn damaged_files_never_panic(
        edits in proptest::collection::vec((0usize..6000, proptest::option::of(any::<u8>())), 1..6)
    ) {
        let mut bytes = heron().to_json().unwrap().into_bytes();
        for (at, byte) in edits {
            let at = at % bytes.len();
            match byte {
                Some(byte) => bytes[at] = byte,
                None => bytes.truncate(at + 1),
            }
        }
        if let Ok(measurement) = read(&String::from_utf8_lossy(&bytes)) {
            let _ = measurement.responses();
        }
    }

    /// Whatever figures are kept, they come back bit by bit.
    #[test]
    fn any_figures_survive_the_file(value in -1e6f64..1e6, u in 0f64..10.0) {
        let measurement = heron();
        let mut correction = measurement.matches[0].clone();
        correction.found_deg[0].mismatch_deg = Measured::new(value, u / 2.0);
        let kept = measurement
            .rematched(measurement.groups.clone(), measurement.radio.clone(), vec![correction], &[])
            .unwrap();
        prop_assert_eq!(&read(&kept.to_json().unwrap()).unwrap(), &kept);
        prop_assert!((kept.matches[0].found_deg[0].mismatch_deg.value - value).abs() <= 0.5001e-6);
    }
}
