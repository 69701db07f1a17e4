//! Calibrations while the camera runs, asked without sockets.

use super::live::luma_headers;
use super::*;

fn begin(bench: &TestBench) -> String {
    let board = serde_json::json!({"columns": 9, "rows": 6, "square_mm": 24.0});
    let asked = serde_json::json!({"name": "webcam", "board": board});
    let response = bench.post_json("/api/guidance", asked);
    assert_eq!(response.status(), StatusCode::CREATED);
    json(response)["id"].as_str().unwrap().to_owned()
}

fn post_grey(bench: &TestBench, id: &str, time_s: f64) -> Value {
    let path = format!("/api/guidance/{id}/frames?time_s={time_s}");
    let response = bench.post_frame(&path, &luma_headers("160", "90"), vec![128; 160 * 90]);
    assert_eq!(response.status(), StatusCode::OK);
    json(response)
}

#[test]
fn a_picture_is_dropped_while_three_others_arrive() {
    let bench = TestBench::new();
    let id = begin(&bench);
    let session = bench.bench.guides.session(&id).unwrap();
    let arriving: Vec<_> = std::iter::from_fn(|| session.turns.reading()).collect();
    assert_eq!(arriving.len(), 3);
    let dropped = post_grey(&bench, &id, 1.0);
    assert_eq!(
        (&dropped["dropped"], &dropped["board"]),
        (&true.into(), &Value::Null)
    );
    drop(arriving);
    let looked = post_grey(&bench, &id, 2.0);
    assert_eq!(
        (&looked["dropped"], &looked["board"]),
        (&false.into(), &"not-seen".into())
    );
}

/// Asks for a calibration, with a board of that many squares each way.
fn ask_for(bench: &TestBench, squares: u32) -> StatusCode {
    let board = serde_json::json!({"columns": squares, "rows": squares, "square_mm": 24.0});
    let asked = serde_json::json!({"name": "webcam", "board": board});
    bench.post_json("/api/guidance", asked).status()
}

#[test]
fn a_calibration_gives_way_to_one_that_begins_when_nobody_films_it() {
    let bench = TestBench::new();
    let ids: Vec<String> = (0..4).map(|_| begin(&bench)).collect();
    let status = |id: &str| bench.get(&format!("/api/guidance/{id}")).status();
    // All four may be filming: none has been unused for a minute.
    assert_eq!(ask_for(&bench, 7), StatusCode::TOO_MANY_REQUESTS);
    let age = |id: &str, seconds| {
        let session = bench.bench.guides.session(id).unwrap();
        session.used.age(std::time::Duration::from_secs(seconds));
    };
    age(&ids[1], 61);
    // One that cannot begin takes no place.
    assert_eq!(ask_for(&bench, 1), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(ids.iter().all(|id| status(id) == StatusCode::OK));
    age(&ids[1], 61);
    assert_eq!(ask_for(&bench, 7), StatusCode::CREATED);
    assert_eq!(status(&ids[1]), StatusCode::NOT_FOUND);
    assert_eq!(status(&ids[0]), StatusCode::OK);
}

/// Pictures are files like any other: whoever may read the folder may read them.
#[cfg(unix)]
#[test]
fn what_a_calibration_keeps_has_the_rights_of_other_files() {
    use std::os::unix::fs::PermissionsExt;
    let bench = TestBench::new();
    let id = begin(&bench);
    let device = serde_json::json!({"label": "webcam", "width_px": 64, "height_px": 36});
    let noted = bench.post_json(&format!("/api/guidance/{id}/device"), device);
    assert_eq!(noted.status(), StatusCode::NO_CONTENT);
    let other = bench.folder.path().join("other");
    std::fs::write(&other, "").unwrap();
    let session = bench.bench.guides.session(&id).unwrap();
    let kept = std::fs::read_dir(bench.folder.path().join(session.folder())).unwrap();
    let rights = |path: &Path| path.metadata().unwrap().permissions().mode();
    let kept: Vec<_> = kept.map(|entry| rights(&entry.unwrap().path())).collect();
    assert_eq!(kept, [rights(&other)]);
}

#[test]
fn a_calibration_does_not_replace_a_profile_that_came_meanwhile() {
    let bench = TestBench::new();
    let id = begin(&bench);
    std::fs::write(bench.folder.path().join("webcam.toml"), "").unwrap();
    let finished = bench.post_json(&format!("/api/guidance/{id}/finish"), Value::Null);
    assert_eq!(finished.status(), StatusCode::CONFLICT);
    let refusal = json(finished)["error"].as_str().unwrap().to_owned();
    assert_eq!(refusal, "the name webcam.toml was taken meanwhile");
}
