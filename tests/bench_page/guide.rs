//! Calibrating on the bench while the camera runs, with rendered pictures of a board as the camera.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use assert_cmd::Command;
use hingewise::clip::{Clip, ClipOptions, GreyImage};
use serde_json::{Value, json};

use super::browser::{Browser, Camera, View};
use super::in_browser;
use super::server::{Answer, Server};
use super::y4m::Y4m;

/// The board of the pictures.
const BOARD: [&str; 8] = [
    "--charuco",
    "9x6",
    "--dictionary",
    "DICT_5X5_100",
    "--square-mm",
    "24",
    "--marker-mm",
    "18",
];

fn pictures() -> Vec<GreyImage> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/calibration/phone_charuco");
    let options = ClipOptions {
        untimed: true,
        ..ClipOptions::default()
    };
    let mut clip = Clip::open(&folder, &options).unwrap();
    let mut pictures = Vec::new();
    while let Some(frame) = clip.next_frame(&mut Vec::new()).unwrap() {
        pictures.push(frame.image);
    }
    pictures
}

pub fn begin(server: &Server) -> String {
    let order = json!({
        "name": "Webcam 1, 540p",
        "board": {"columns": 9, "rows": 6, "square_mm": 24.0,
            "markers": {"marker_mm": 18.0, "dictionary": "DICT_5X5_100"}},
    });
    let answer = server.send("POST", "/api/guidance", &[], order.to_string().as_bytes());
    assert_eq!(answer.status, 201, "{}", answer.text());
    answer.json()["id"].as_str().unwrap().to_owned()
}

fn send(server: &Server, id: &str, time_s: f64, picture: &GreyImage) -> Answer {
    let size_px = (picture.width_px, picture.height_px);
    let frames = format!("/api/guidance/{id}/frames");
    server.send_luma(&frames, time_s, size_px, &picture.pixels)
}

fn calibrated(folder: &Path, views: &str, name: &str) -> String {
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder)
        .args(["calibrate", views])
        .args(BOARD)
        .args(["--name", name, "--out", "by-command.toml"])
        .assert()
        .success();
    std::fs::read_to_string(folder.join("by-command.toml")).unwrap()
}

fn wait_until_idle(server: &Server, id: &str) -> Value {
    let begun = Instant::now();
    loop {
        let state = server.json(&format!("/api/guidance/{id}"));
        if state["fitting"] == false {
            return state;
        }
        assert!(begun.elapsed() < Duration::from_secs(30), "{state}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn pictures_become_a_profile_that_the_command_makes_again() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::of(folder.path());
    let id = begin(&server);
    let device = json!({"label": "Camera 1", "width_px": 960, "height_px": 540});
    let path = format!("/api/guidance/{id}/device");
    let answer = server.send("POST", &path, &[], device.to_string().as_bytes());
    assert_eq!(answer.status, 204, "{}", answer.text());
    let mut time_s = 0.0;
    for picture in pictures() {
        time_s += 1.0;
        for _ in 0..6 {
            time_s += 0.1;
            let answer = send(&server, &id, time_s, &picture);
            assert_eq!(answer.status, 200, "{}", answer.text());
            if answer.json()["board"] == "kept" {
                break;
            }
        }
        wait_until_idle(&server, &id);
    }
    let state = wait_until_idle(&server, &id);
    let views = state["fit_views"].as_u64().unwrap();
    println!("{state}");
    assert!(views >= 8, "{state}");
    let answer = server.send("POST", &format!("/api/guidance/{id}/undo"), &[], b"");
    assert_eq!(answer.status, 200, "{}", answer.text());
    let answer = server.send("POST", &format!("/api/guidance/{id}/finish"), &[], b"");
    assert_eq!(answer.status, 202, "{}", answer.text());
    let camera = answer.json()["camera"].as_str().unwrap().to_owned();
    let profile = folder.path().join("webcam_1__540p.toml");
    let begun = Instant::now();
    while !profile.is_file() {
        assert!(begun.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(50));
    }
    let cameras = server.json("/api/cameras");
    assert_eq!(
        cameras[0]["id"].as_str(),
        Some(camera.as_str()),
        "{cameras}"
    );
    let written = std::fs::read_to_string(profile).unwrap();
    let views = "webcam_1__540p-views";
    assert_eq!(calibrated(folder.path(), views, "Webcam 1, 540p"), written);
    let device = std::fs::read(folder.path().join(views).join("camera.json")).unwrap();
    let device: Value = serde_json::from_slice(&device).unwrap();
    assert_eq!(device["label"], "Camera 1");
    let page = server.get(&format!("/camera/{camera}")).text();
    assert!(
        page.contains("Made with Camera 1, 960 × 540 pixels"),
        "{page}"
    );
}

#[test]
fn orders_that_cannot_be_met_are_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::of(folder.path());
    let id = begin(&server);
    let picture = &pictures()[0];
    let post = |path: &str, body: &[u8]| server.send("POST", path, &[], body);
    let refused = |answer: Answer, status: u16| {
        assert_eq!(answer.status, status, "{}", answer.text());
        let words = answer.json();
        assert!(
            words["error"].is_string() && words["help"].is_string(),
            "{words}"
        );
    };
    refused(post("/api/guidance", b"{}"), 400);
    let unknown = json!({"name": "x", "board": {"columns": 9, "rows": 6, "square_mm": 24.0,
        "markers": {"marker_mm": 18.0, "dictionary": "DICT_9X9"}}});
    refused(post("/api/guidance", unknown.to_string().as_bytes()), 422);
    refused(post("/api/guidance/g0/frames?time_s=0", b""), 404);
    refused(post("/api/guidance/g0/undo", b""), 404);
    refused(post(&format!("/api/guidance/{id}/undo"), b""), 409);
    refused(post(&format!("/api/guidance/{id}/finish"), b""), 409);
    refused(post(&format!("/api/guidance/{id}/device"), b"[]"), 400);
    let broken = [("Content-Type", "image/jpeg")];
    let path = format!("/api/guidance/{id}/frames?time_s=0");
    refused(server.send("POST", &path, &broken, b"no picture"), 400);
    let tiny = GreyImage {
        width_px: 8,
        height_px: 8,
        pixels: vec![0; 64].into(),
    };
    refused(send(&server, &id, 0.0, &tiny), 400);
    for look in 0..8 {
        assert_eq!(
            send(&server, &id, 0.1 * f64::from(look), picture).status,
            200
        );
    }
    let other = GreyImage {
        width_px: 540,
        height_px: 960,
        pixels: picture.pixels.clone(),
    };
    refused(send(&server, &id, 1.0, &other), 409);
    // Nothing but the kept picture was written.
    let views = folder.path().join("webcam_1__540p-views");
    assert_eq!(std::fs::read_dir(views).unwrap().count(), 1);
}

/// A camera that shows each picture for two seconds.
fn camera_file(folder: &Path) -> PathBuf {
    let path = folder.join("board.y4m");
    let mut file = Y4m::create(&path, "5:1");
    for picture in pictures() {
        for _ in 0..10 {
            file.add((picture.width_px, picture.height_px), &picture.pixels);
        }
    }
    file.finish();
    path
}

const DESK: View = View {
    name: "guide-desk",
    ..View::DESK
};

#[test]
fn a_person_calibrates_with_the_camera_running() {
    in_browser(async || {
        let folder = tempfile::tempdir().unwrap();
        let files = tempfile::tempdir().unwrap();
        let camera = Camera::File(camera_file(files.path()));
        let server = Server::of(folder.path());
        let mut browser = Browser::with_camera(DESK, &camera).await;
        browser.goto(&format!("{}/camera", server.address())).await;
        browser.press("Calibrate with the camera running").await;
        browser.fill("#name", "Webcam 1, 540p").await;
        browser.picture("begin").await;
        browser.press("Begin").await;
        browser.wait_for("Start the camera").await;
        browser.picture("ready").await;
        browser.press("Start the camera").await;
        browser.wait_until_shown(".guide.filming video").await;
        browser.wait_for("views are kept").await;
        browser.picture("keeping").await;
        browser.wait_until_shown(".guide-bar").await;
        browser.wait_until_shown("[data-finish]:enabled").await;
        browser.picture("figure").await;
        browser.press("Make the profile").await;
        browser.wait_for("Verdict").await;
        browser.picture("made").await;
        let profile = folder.path().join("webcam_1__540p.toml");
        let written = std::fs::read_to_string(profile).unwrap();
        let views = "webcam_1__540p-views";
        assert_eq!(calibrated(folder.path(), views, "Webcam 1, 540p"), written);
        let device = std::fs::read(folder.path().join(views).join("camera.json")).unwrap();
        let device: Value = serde_json::from_slice(&device).unwrap();
        assert_eq!(device["width_px"], 960);
        browser.close().await;
    });
}

#[test]
fn the_guide_fits_a_phone() {
    in_browser(async || {
        let folder = tempfile::tempdir().unwrap();
        let files = tempfile::tempdir().unwrap();
        let camera = Camera::File(camera_file(files.path()));
        let server = Server::of(folder.path());
        let phone = View {
            name: "guide-phone",
            width_px: 390,
            is_dark: true,
            ..DESK
        };
        let mut browser = Browser::with_camera(phone, &camera).await;
        let address = format!("{}/camera/live", server.address());
        browser.goto(&address).await;
        browser.picture("begin").await;
        let id = begin(&server);
        browser.goto(&format!("{address}/{id}")).await;
        browser.press("Start the camera").await;
        browser.wait_until_shown(".guide.filming video").await;
        browser.wait_for("1 view is kept").await;
        browser.picture("keeping").await;
        browser.close().await;
    });
}
