use nalgebra::Point2;

use super::*;
use crate::camera::Camera;
use crate::clip::{GreyImage, Levels};
use crate::measurement::sample::heron;
use crate::tags::{CornerCovariance, SightedFrame, Sighting};

/// A grey wall, brighter to the right, with the codes of limited-range video.
fn wall() -> GreyImage {
    let (width_px, height_px) = (1920, 1080);
    GreyImage {
        width_px,
        height_px,
        pixels: (0..width_px * height_px)
            .map(|at| (60 + (at % width_px) * 120 / width_px) as u8)
            .collect(),
    }
}

fn camera() -> Camera {
    Camera {
        fx: 1512.0,
        fy: 1512.0,
        cx: 957.0,
        cy: 545.0,
        distortion: [0.06, -0.1, 0.0, 0.0, 0.0],
    }
}

fn sighting(tag_id: u32, centre_px: [f64; 2]) -> Sighting {
    let corner = |x: f64, y: f64| Point2::new(centre_px[0] + x, centre_px[1] + y);
    Sighting {
        tag_id,
        corners_px: [
            corner(-19.0, -18.0),
            corner(19.0, -18.0),
            corner(19.0, 18.0),
            corner(-19.0, 18.0),
        ],
        covariance_px2: CornerCovariance::identity() * 0.0004,
    }
}

fn sighted() -> SightedFrame {
    SightedFrame {
        index: 0,
        time_s: 0.0,
        sightings: vec![
            sighting(0, [960.0, 590.0]),
            sighting(10, [475.0, 612.0]),
            sighting(11, [1440.0, 612.0]),
        ],
        dropped: Vec::new(),
    }
}

fn with_picture<T>(work: impl FnOnce(Picture<'_>) -> T) -> T {
    let (image, sighted, camera) = (wall(), sighted(), camera());
    work(Picture {
        image: &image,
        levels: Levels {
            black: 16,
            white: 235,
        },
        sighted: &sighted,
        camera: &camera,
    })
}

/// Writes the sample page where one can look at it: `HINGEWISE_LOOK=FOLDER`.
#[test]
fn the_whole_report_is_put_together() {
    let files = with_picture(|picture| {
        let inputs = ReportInputs {
            picture: Some(picture),
            frames: Some(&[]),
        };
        files(&heron(), &inputs).unwrap()
    });
    let names: Vec<&str> = files.iter().map(|file| file.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "measurement.json",
            "report.html",
            "stations.csv",
            "frames.csv",
            "marked.svg"
        ]
    );
    if let Ok(folder) = std::env::var("HINGEWISE_LOOK") {
        for file in &files {
            std::fs::write(std::path::Path::new(&folder).join(&file.name), &file.bytes).unwrap();
        }
    }
}
