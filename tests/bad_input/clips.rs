//! Clips that are not there, not clips, or not whole.

use std::path::Path;

use super::{KEPT, Workplace, film, on_one_line};

fn project(path: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

#[test]
fn no_such_clip() {
    let words = ["no file or folder `clip.mp4`", "check the spelling"];
    Workplace::new().refuses("clip.mp4", &[], &words);
}

#[test]
fn not_a_video() {
    let workplace = Workplace::new();
    workplace.write("clip.mp4", "not a video\n".repeat(100));
    let words = ["`clip.mp4` is not a video", "an .mp4 or .mov video"];
    workplace.refuses("clip.mp4", &[], &words);

    workplace.write("clip.mp4", "");
    let words = ["`clip.mp4` is empty", "copy the clip from the camera again"];
    workplace.refuses("clip.mp4", &[], &words);

    let sound = project("tests/data/clip/sound_only.mp4");
    let words = ["sound_only.mp4` has no video track", "an .mp4 or .mov"];
    workplace.refuses(sound.to_str().unwrap(), &[], &words);
}

#[test]
fn a_recording_that_broke_off_before_its_index() {
    // The index of this file lies behind the frames, from byte 14311 on.
    let bytes = std::fs::read(project("tests/data/clip/video_0.mov")).unwrap();
    let workplace = Workplace::new();
    workplace.write("clip.mov", &bytes[..14000]);
    let words = ["`clip.mov` has no index of its frames", "film again"];
    workplace.refuses("clip.mov", &[], &words);
}

#[test]
fn a_truncated_clip_is_measured_as_far_as_it_goes() {
    // 83 of 353 frames and their four holds lie in front of the cut (`ffprobe -show_frames`).
    let bytes = std::fs::read(project("sample-frames/cards.mp4")).unwrap();
    let workplace = Workplace::new();
    workplace.write("clip.mp4", &bytes[..600_000]);
    for file in ["model.toml", "camera.toml"] {
        std::fs::copy(project("sample-frames").join(file), workplace.path(file)).unwrap();
    }
    let output = workplace.measure("clip.mp4", &["--json"]);
    assert!(output.status.success(), "{}", on_one_line(&output.stderr));
    let measurement: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let warnings = measurement["warnings"].as_array().unwrap();
    let cut = warnings
        .iter()
        .find(|warning| warning["code"] == "clip-ends-early")
        .unwrap();
    let text = cut["text"].as_str().unwrap();
    assert!(text.contains("should have 353 frames"), "{text}");
    assert!(cut["mend"].as_str().unwrap().contains("copy the clip"));

    let truth = std::fs::read_to_string(project("sample-frames/cards-true-stations.csv")).unwrap();
    let stations = measurement["surfaces"][0]["stations"].as_array().unwrap();
    assert_eq!(stations.len(), 4);
    for (station, row) in stations.iter().zip(truth.lines().skip(1)) {
        let row: Vec<f64> = row.split(',').map(|field| field.parse().unwrap()).collect();
        assert_eq!(station["stick_pct"].as_f64(), Some(row[0]));
        let left_deg = station["deflection_deg"]["value"].as_f64().unwrap();
        // Each hold at its own station; how exact it is, other tests hold to account.
        assert!((left_deg - row[1]).abs() < 1.0, "{left_deg} {row:?}");
    }
    let page = std::fs::read_to_string(workplace.path("results/report.html")).unwrap();
    assert!(page != KEPT && page.contains("should have 353 frames"));
}

#[test]
fn an_empty_folder() {
    let workplace = Workplace::new();
    std::fs::create_dir(workplace.path("film")).unwrap();
    let words = ["`film` has no PNG or JPEG picture", "use the folder that"];
    workplace.refuses("film", &["--fps", "30"], &words);
}

#[test]
fn pictures_of_different_sizes() {
    let workplace = Workplace::new();
    std::fs::create_dir(workplace.path("film")).unwrap();
    for (name, width_px) in [("a.png", 64), ("b.png", 64), ("c.png", 72)] {
        let picture = image::GrayImage::new(width_px, 36);
        picture.save(workplace.path("film").join(name)).unwrap();
    }
    let words = [
        "pictures of different sizes",
        "a.png` has 64 × 36",
        "c.png` has 72 × 36",
        "of one camera in one mode",
    ];
    workplace.refuses("film", &["--fps", "30"], &words);
}

#[test]
fn a_broken_picture_in_the_middle() {
    let workplace = Workplace::with(&film::good());
    let broken = std::fs::read(project("tests/data/clip/stills/broken.png")).unwrap();
    workplace.write("film/030.png", broken);
    let words = ["film/030.png` cannot be read", "copy the picture again"];
    workplace.refuses("film", &[], &words);
}

#[test]
fn stills_without_times() {
    let workplace = Workplace::with(&film::good());
    std::fs::remove_file(workplace.path("film/times.csv")).unwrap();
    let words = ["the 67 pictures in `film` have no times", "--fps"];
    workplace.refuses("film", &[], &words);
}
