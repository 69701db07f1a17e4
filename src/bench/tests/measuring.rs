//! Measurements in the line.

use std::time::{Duration, Instant};

use super::*;

impl TestBench {
    pub fn with_clip() -> Self {
        let bench = Self::with_sample();
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames/cards.mp4");
        std::fs::copy(from, bench.folder.path().join("cards.mp4")).unwrap();
        bench
    }

    pub fn post_json(&self, path: &str, body: Value) -> Response {
        let request = order(Method::POST, path).header("content-type", "application/json");
        self.ask(request.body(body.to_string().into()).unwrap())
    }

    fn order_sample(&self) -> String {
        let clip = self.bench.workshop.clips()[0].id.clone();
        let response = self.post_json(
            "/api/measurements",
            serde_json::json!({
                "aircraft": self.bench.workshop.aircraft()[0].id,
                "camera": self.bench.workshop.cameras()[0].id,
                "clip": clip,
            }),
        );
        assert_eq!(response.status(), StatusCode::ACCEPTED);
        json(response)["id"].as_str().unwrap().to_owned()
    }

    fn state(&self, id: &str) -> String {
        let answer = self.get_json(&format!("/api/measurements/{id}"));
        answer["state"].as_str().unwrap().to_owned()
    }

    fn wait_while(&self, id: &str, states: &[&str]) -> String {
        let begun = Instant::now();
        loop {
            let state = self.state(id);
            if !states.contains(&state.as_str()) || begun.elapsed() > Duration::from_secs(120) {
                return state;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

#[test]
fn an_order_waits_in_the_line_and_can_be_cancelled() {
    let bench = TestBench::with_clip();
    let (first, second) = (bench.order_sample(), bench.order_sample());
    assert_ne!(first, second);
    assert_eq!(
        [bench.state(&first), bench.state(&second)],
        ["waiting", "waiting"]
    );
    let cancel = order(Method::DELETE, &format!("/api/measurements/{first}"));
    assert_eq!(bench.ask(cancel.body(Body::empty()).unwrap()).status(), 204);
    assert_eq!(
        bench.get(&format!("/api/measurements/{first}")).status(),
        404
    );
    assert_eq!(
        bench
            .get_json("/api/measurements")
            .as_array()
            .unwrap()
            .len(),
        1
    );
}

#[test]
fn orders_that_cannot_be_met_are_refused_at_once() {
    let bench = TestBench::with_clip();
    let ordered = |aircraft: &str| {
        let ids = serde_json::json!({"aircraft": aircraft, "camera": "x", "clip": "y"});
        bench.post_json("/api/measurements", ids).status().as_u16()
    };
    assert_eq!(ordered("a0000000000000000"), 404);
    assert_eq!(ordered("../model.toml"), 404);
    assert_eq!(
        bench
            .post_json("/api/measurements", serde_json::json!([1]))
            .status(),
        400
    );
    std::fs::write(
        bench.folder.path().join("model.toml"),
        "format = 1\n[model]\nname = 3\n",
    )
    .unwrap();
    let ids = serde_json::json!({
        "aircraft": bench.bench.workshop.aircraft()[0].id,
        "camera": bench.bench.workshop.cameras()[0].id,
        "clip": bench.bench.workshop.clips()[0].id,
    });
    let response = bench.post_json("/api/measurements", ids);
    assert_eq!(response.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        json(response)["error"]
            .as_str()
            .unwrap()
            .contains("`name` has to be")
    );
}

#[test]
fn a_measurement_that_runs_is_cancelled_soon_and_leaves_nothing() {
    let bench = TestBench::with_clip();
    super::super::start_work(&bench.bench).unwrap();
    let id = bench.order_sample();
    assert_eq!(bench.wait_while(&id, &["waiting"]), "running");
    let asked = Instant::now();
    let cancel = order(Method::DELETE, &format!("/api/measurements/{id}"));
    bench.ask(cancel.body(Body::empty()).unwrap());
    while bench.get(&format!("/api/measurements/{id}")).status() != 404 {
        assert!(asked.elapsed() < Duration::from_secs(5));
        std::thread::sleep(Duration::from_millis(10));
    }
    let mut left: Vec<String> = (std::fs::read_dir(bench.folder.path()).unwrap())
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    left.sort();
    assert_eq!(
        left,
        [".hingewise-bench", "camera.toml", "cards.mp4", "model.toml"]
    );
    bench.bench.line.end(Duration::from_secs(5));
}

#[test]
fn a_measurement_that_was_running_when_the_program_ended_is_offered_again() {
    let bench = TestBench::with_clip();
    let id = bench.order_sample();
    // The program is killed: nobody ends the line.
    let again = TestBench {
        bench: Bench::open(bench.folder.path(), PORT).unwrap(),
        folder: bench.folder,
    };
    let answer = again.get_json(&format!("/api/measurements/{id}"));
    assert_eq!(answer["state"], "failed");
    assert!(
        answer["help"].as_str().unwrap().starts_with("go on"),
        "{answer}"
    );
    let response = again.post_json(&format!("/api/measurements/{id}/resume"), Value::Null);
    assert_eq!(response.status(), StatusCode::ACCEPTED);
    assert_eq!(again.state(&id), "waiting");
}

#[test]
fn a_clip_of_level_surfaces_is_ordered_with_the_measurement_and_checked_at_once() {
    let bench = TestBench::with_clip();
    let clip = bench.bench.workshop.clips()[0].id.clone();
    let ordered = |level: &str| {
        let ids = serde_json::json!({
            "aircraft": bench.bench.workshop.aircraft()[0].id,
            "camera": bench.bench.workshop.cameras()[0].id,
            "clip": clip,
            "level": level,
        });
        bench.post_json("/api/measurements", ids).status().as_u16()
    };
    assert_eq!(ordered("f0000000000000000"), 404);
    assert_eq!(ordered(&clip), 202);
    let order = bench.bench.line.entries().remove(0).order;
    let crate::bench::line::Order::Measure(order) = order else {
        panic!("no order to measure: {order:?}")
    };
    assert_eq!(order.level, Some("cards.mp4".into()));
    // An order that an older bench kept has no such clip.
    let mut kept = serde_json::to_value(&order).unwrap();
    kept.as_object_mut().unwrap().remove("level");
    let read: crate::bench::measure::Order = serde_json::from_value(kept).unwrap();
    assert_eq!(read.level, None);
}
