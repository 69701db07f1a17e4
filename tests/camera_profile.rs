//! The camera profile: its file, other resolutions, other shapes, and cameras not calibrated.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use approx::assert_relative_eq;
use hingewise::camera::{Camera, CameraProfile, IntrinsicsCovariance, ProfileError};
use nalgebra::{Point3, SVector};

/// The example of the file's documentation.
const EXAMPLE: &str = r#"
format = 1
name = "phone, 1080p, 1x"
width_px = 1920
height_px = 1080
matrix = { fx = 1503.2, fy = 1502.8, cx = 958.1, cy = 541.7 }
distortion = { k1 = 0.081, k2 = -0.12, p1 = 0.0, p2 = 0.0, k3 = 0.0 }
"#;

fn parse(text: &str) -> Result<CameraProfile, Vec<String>> {
    CameraProfile::parse(Path::new("camera.toml"), text.into())
        .map_err(|file| file.faults().iter().map(ToString::to_string).collect())
}

fn example() -> CameraProfile {
    parse(EXAMPLE).unwrap()
}

#[test]
fn the_documented_example_is_read() {
    let profile = example();
    assert_eq!((profile.width_px, profile.height_px), (1920, 1080));
    assert_eq!(profile.camera.fy, 1502.8);
    assert_eq!(profile.camera.distortion, [0.081, -0.12, 0.0, 0.0, 0.0]);
    assert_eq!(profile.covariance, None);
}

#[test]
fn faults_of_a_profile_are_told_at_once() {
    let text = EXAMPLE
        .replace("width_px = 1920", "width_px = 0")
        .replace("fx = 1503.2, ", "")
        .replace("k3 = 0.0", "k4 = 0.0, k3 = 0.0")
        + "covariance = [[1.0, 2.0]]\n";
    assert_eq!(
        parse(&text).unwrap_err(),
        [
            "`width_px` = 0 is outside 16 to 100000 px",
            "`fx` is missing in [matrix]",
            "unknown key `k4` in [distortion]",
            "`covariance` is not a square of 9 × 9 numbers",
        ]
    );
}

#[test]
fn a_matrix_with_a_correlation_above_one_is_no_covariance() {
    let rows: Vec<String> = (0..9)
        .map(|row| {
            let entry = |column| match (row, column) {
                (0, 1) | (1, 0) => 1.1,
                _ => f64::from(u8::from(row == column)),
            };
            format!("{:?}", (0..9).map(entry).collect::<Vec<f64>>())
        })
        .collect();
    let text = format!("{EXAMPLE}covariance = [{}]\n", rows.join(", "));
    assert!(parse(&text).unwrap_err()[0].contains("not a covariance"));
    assert!(parse(&text.replace("1.1", "0.9")).is_ok());
}

/// Pixel centres lie at integers, so that a picture of half the size sees at `u` what the whole
/// one sees at `2 u + ½`: the rule by which image libraries resize.
#[test]
fn another_resolution_sees_the_same_world() {
    let whole = example();
    let half = whole.for_picture(960, 540).unwrap();
    // Modes of two sizes may crop the sensor in two ways, so whoever reads the report has to see it.
    assert_eq!(half.name, "phone, 1080p, 1x, scaled from 1920 × 1080");
    for (x, y) in [(0.0, 0.0), (0.3, -0.2), (-0.5, 0.3)] {
        let point = Point3::new(x, y, 1.0);
        let in_whole = whole.camera.project(&point).unwrap();
        let in_half = half.camera.project(&point).unwrap();
        assert_relative_eq!(2.0 * in_half.x + 0.5, in_whole.x, epsilon = 1e-9);
        assert_relative_eq!(2.0 * in_half.y + 0.5, in_whole.y, epsilon = 1e-9);
    }
}

#[test]
fn standard_deviations_scale_with_what_they_belong_to() {
    let sds = SVector::from([1.0, 2.0, 3.0, 4.0, 0.1, 0.2, 0.3, 0.4, 0.5]);
    let profile = CameraProfile {
        covariance: Some(sds * sds.transpose()),
        ..example()
    };
    let covariance = profile.for_picture(3840, 2160).unwrap().covariance.unwrap();
    assert_eq!(covariance[(0, 0)], 4.0);
    assert_eq!(covariance[(3, 3)], 64.0);
    assert_relative_eq!(covariance[(0, 4)], 0.2);
    assert_relative_eq!(covariance[(4, 4)], 0.01, epsilon = 1e-15);
}

#[test]
fn sizes_rounded_to_whole_pixels_count_as_the_same_shape() {
    // 1920 × 1080 at a width of 854 asks for a height of 480.4.
    assert!(example().for_picture(854, 480).is_ok());
    assert!(example().for_picture(848, 480).is_err());
}

#[test]
fn another_shape_and_a_turned_camera_are_refused() {
    let refused = example().for_picture(1600, 1200).unwrap_err();
    assert!(matches!(refused, ProfileError::OtherAspect { .. }));
    let refused = example().for_picture(1080, 1920).unwrap_err();
    assert!(matches!(refused, ProfileError::Turned { .. }));
    assert!(refused.to_string().contains("1080 × 1920"));
}

#[test]
fn a_stated_field_of_view_gives_the_focal_length_of_the_lens_tables() {
    // A 50 mm lens on the 36 mm × 24 mm frame sees 46.8° across the diagonal (tables of lenses,
    // value from memory, given to a tenth of a degree).
    let profile = CameraProfile::from_field_of_view(46.8, 3600, 2400).unwrap();
    assert_relative_eq!(profile.camera.fx, 5000.0, max_relative = 1e-3);
    let sd_px = profile.covariance.unwrap()[(0, 0)].sqrt();
    assert!(sd_px > 0.04 * profile.camera.fx, "{sd_px} px is too sure");
    assert!(CameraProfile::from_field_of_view(180.0, 3600, 2400).is_err());
    assert!(CameraProfile::from_field_of_view(f64::NAN, 3600, 2400).is_err());
}

mod round_trip {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_is_written_is_read_to_the_same_bits(
            name in ".{0,20}",
            values in prop::array::uniform9(-1.0f64..1.0),
            factors in prop::collection::vec(-1e3f64..1e3, 81),
            views in prop::option::of(6usize..60),
        ) {
            let [fx, fy, cx, cy, k1, k2, p1, p2, k3] = values;
            let factor = IntrinsicsCovariance::from_iterator(factors);
            let product = factor * factor.transpose();
            let profile = CameraProfile {
                name,
                width_px: 1920,
                height_px: 1080,
                camera: Camera {
                    fx: 1500.0 + fx,
                    fy: 1500.0 + fy,
                    cx: 1000.0 * cx,
                    cy: 1000.0 * cy,
                    distortion: [k1, k2, 1e-9 * p1, p2, k3],
                },
                covariance: Some((product + product.transpose()) / 2.0),
                rms_px: views.map(|views| 1.0 / views as f64),
                views,
            };
            prop_assert_eq!(parse(&profile.to_toml()), Ok(profile));
        }
    }
}
