//! Live sessions, asked without sockets: what is refused, what is dropped, and who may do what.

use super::*;
use crate::bench::frames::body::MOST_FRAME_BYTES;

/// Size of the frames of these tests: the shape of the bundled profile.
const WIDTH: usize = 192;
const HEIGHT: usize = 108;

impl TestBench {
    pub fn begin_live(&self) -> String {
        let response = self.ask_to_begin();
        assert_eq!(response.status(), StatusCode::CREATED);
        json(response)["id"].as_str().unwrap().to_owned()
    }

    fn ask_to_begin(&self) -> Response {
        let ids = serde_json::json!({
            "aircraft": self.bench.workshop.aircraft()[0].id,
            "camera": self.bench.workshop.cameras()[0].id,
        });
        self.post_json("/api/live", ids)
    }

    pub fn post_frame(&self, path: &str, headers: &[(&str, &str)], body: Vec<u8>) -> Response {
        let mut request = order(Method::POST, path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.ask(request.body(body.into()).unwrap())
    }

    fn post_grey(&self, id: &str, query: &str) -> Response {
        let path = format!("/api/live/{id}/frames?{query}");
        self.post_frame(&path, &luma_headers("192", "108"), grey())
    }

    fn post(&self, path: &str) -> Response {
        self.ask(order(Method::POST, path).body(Body::empty()).unwrap())
    }
}

pub fn luma_headers<'a>(width: &'a str, height: &'a str) -> [(&'a str, &'a str); 4] {
    [
        ("content-type", "application/octet-stream"),
        ("x-width", width),
        ("x-height", height),
        ("x-range", "full"),
    ]
}

fn grey() -> Vec<u8> {
    vec![128; WIDTH * HEIGHT]
}

#[test]
fn a_session_says_what_is_missing_and_how_old_its_figures_are() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    let state = bench.get_json(&format!("/api/live/{id}"));
    assert_eq!(state["state"], "looking");
    assert_eq!(state["holds"], serde_json::json!([]));
    assert_eq!(state["age_s"], Value::Null);
    assert_eq!(state["next"], "Start the camera.");
    let answer = bench.post_grey(&id, "time_s=0.5");
    assert_eq!(answer.status(), StatusCode::OK);
    let state = json(answer);
    assert_eq!(
        (&state["holds"], &state["dropped"]),
        (&0.into(), &false.into())
    );
    assert_eq!(state["time_s"], 0.5);
    assert!(state["age_s"].as_f64().unwrap() < 5.0);
    let surfaces = state["surfaces"].as_array().unwrap();
    assert_eq!(surfaces.len(), 2);
    for surface in surfaces {
        assert_eq!(surface["seen"], false);
        assert_eq!(surface["deflection_deg"], Value::Null);
        assert_eq!(surface["moving"], false);
    }
    assert!(!state["missing"].as_array().unwrap().is_empty());
    assert_eq!(bench.get_json("/api/live")[0]["id"], id.as_str());
}

#[test]
fn frames_that_cannot_be_used_are_refused_and_the_session_goes_on() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    let frames = format!("/api/live/{id}/frames");
    let at = |time: &str| format!("{frames}?time_s={time}");
    let status = |path: &str, headers: &[(&str, &str)], body: Vec<u8>| {
        let response = bench.post_frame(path, headers, body);
        let status = response.status().as_u16();
        let answer = json(response);
        assert!(!answer["help"].as_str().unwrap().is_empty(), "{answer}");
        status
    };
    let luma = luma_headers("192", "108");
    assert_eq!(status(&frames, &luma, grey()), 400);
    assert_eq!(status(&at("now"), &luma, grey()), 400);
    assert_eq!(status(&at("inf"), &luma, grey()), 400);
    assert_eq!(status(&at("1"), &luma, vec![0; 100]), 400);
    assert_eq!(
        status(&at("1"), &[("content-type", "image/jpeg")], vec![0xff; 900]),
        400
    );
    assert_eq!(
        status(&at("1"), &[("content-type", "video/mp4")], grey()),
        415
    );
    // Another shape than that of the profile.
    let square = luma_headers("100", "100");
    assert_eq!(status(&at("1"), &square, vec![0; 10_000]), 422);
    assert_eq!(status(&at("1"), &luma, vec![0; MOST_FRAME_BYTES + 1]), 413);
    assert_eq!(status("/api/live/l0/frames?time_s=1", &luma, grey()), 404);
    // None of these was measured, and the first good one is.
    assert_eq!(
        bench.get_json(&format!("/api/live/{id}"))["time_s"],
        Value::Null
    );
    assert_eq!(bench.post_grey(&id, "time_s=1").status(), 200);
    assert_eq!(status(&at("1"), &luma, grey()), 409);
    assert_eq!(status(&at("0.5"), &luma, grey()), 409);
    // Another size than that of the first frame.
    let small = luma_headers("96", "54");
    assert_eq!(status(&at("2"), &small, vec![0; 96 * 54]), 422);
    assert_eq!(bench.post_grey(&id, "time_s=3").status(), 200);
}

#[test]
fn a_frame_that_announces_too_much_is_not_read() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    let path = format!("/api/live/{id}/frames?time_s=1");
    let request = order(Method::POST, &path).header("content-length", "20000000");
    let response = bench.ask(request.body(Body::empty()).unwrap());
    assert_eq!(response.status(), 413);
    // The other orders keep the small limit.
    let path = format!("/api/live/{id}/stations");
    let request = order(Method::POST, &path).header("content-length", "2000000");
    assert_eq!(
        bench.ask(request.body(Body::empty()).unwrap()).status(),
        413
    );
}

#[test]
fn of_frames_that_come_while_one_is_in_work_only_the_newest_is_measured() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    let session = bench.bench.live.session(&id).unwrap();
    runtime().block_on(async {
        let in_work = session.turns.take().await.unwrap();
        let send = |time: &str| {
            let request = order(
                Method::POST,
                &format!("/api/live/{id}/frames?time_s={time}"),
            );
            let headers = luma_headers("192", "108").into_iter();
            let request = headers.fold(request, |request, (name, value)| {
                request.header(name, value)
            });
            let router = router(bench.bench.clone());
            tokio::spawn(router.oneshot(request.body(Body::from(grey())).unwrap()))
        };
        let older = send("1");
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
        let newer = send("2");
        let body = older.await.unwrap().unwrap().into_body();
        let older: Value = serde_json::from_slice(&to_bytes(body, 1 << 20).await.unwrap()).unwrap();
        assert_eq!(
            (&older["dropped"], &older["time_s"]),
            (&true.into(), &Value::Null)
        );
        drop(in_work);
        let body = newer.await.unwrap().unwrap().into_body();
        let newer: Value = serde_json::from_slice(&to_bytes(body, 1 << 20).await.unwrap()).unwrap();
        assert_eq!(
            (&newer["dropped"], &newer["time_s"]),
            (&false.into(), &2.0.into())
        );
    });
}

#[test]
fn a_second_page_that_films_is_sent_away_until_it_takes_over() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    assert_eq!(
        bench.post_grey(&id, "time_s=100&source=laptop").status(),
        200
    );
    assert_eq!(bench.post_grey(&id, "time_s=0&source=phone").status(), 409);
    // Its clock is another one; the session goes on from its own last time.
    let taken = bench.post_grey(&id, "time_s=0&source=phone&take=true");
    assert_eq!(taken.status(), 200);
    let time_s = json(taken)["time_s"].as_f64().unwrap();
    assert!((100.0..110.0).contains(&time_s), "{time_s}");
    let next = json(bench.post_grey(&id, "time_s=0.25&source=phone"));
    assert!((next["time_s"].as_f64().unwrap() - time_s - 0.25).abs() < 1e-9);
    assert_eq!(
        bench.post_grey(&id, "time_s=101&source=laptop").status(),
        409
    );
}

#[test]
fn orders_that_cannot_be_met_now_say_why() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    for order in ["hold", "undo", "neutral", "finish"] {
        let response = bench.post(&format!("/api/live/{id}/{order}"));
        assert_eq!(response.status(), StatusCode::CONFLICT, "{order}");
        assert!(!json(response)["help"].as_str().unwrap().is_empty());
    }
    for order in ["skip", "peaks", "clear-neutral", "by-hand", "by-itself"] {
        let response = bench.post(&format!("/api/live/{id}/{order}"));
        assert_eq!(response.status(), 200, "{order}");
        assert_eq!(json(response)["automatic"], order != "by-hand");
    }
    assert_eq!(bench.post(&format!("/api/live/{id}/jump")).status(), 404);
    let stations = format!("/api/live/{id}/stations");
    let asked = json(bench.post_json(&stations, serde_json::json!({"stick_pct": -25})));
    assert_eq!(asked["station_pct"], -25.0);
    let wrong = bench.post_json(&stations, serde_json::json!({"stick_pct": "up"}));
    assert_eq!(wrong.status(), 400);
    let outside = bench.post_json(&stations, serde_json::json!({"stick_pct": 150}));
    assert_eq!(outside.status(), 422);
    // Nothing was written.
    assert_eq!(bench.get_json("/api/measurements"), serde_json::json!([]));
    for path in ["hold", "finish", "stations", "frames?time_s=1"] {
        assert_eq!(
            bench.post(&format!("/api/live/l00/{path}")).status(),
            404,
            "{path}"
        );
    }
}

#[test]
fn sessions_are_few_and_empty_ones_give_way() {
    let bench = TestBench::with_sample();
    let first = bench.begin_live();
    let session = bench.bench.live.session(&first).unwrap();
    let minute = std::time::Duration::from_secs(60);
    assert!(!session.is_spare(minute) && session.is_spare(std::time::Duration::ZERO));
    for _ in 0..3 {
        bench.begin_live();
    }
    let refused = bench.ask_to_begin();
    assert_eq!(refused.status(), StatusCode::TOO_MANY_REQUESTS);
    let close = order(Method::DELETE, &format!("/api/live/{first}"));
    assert_eq!(bench.ask(close.body(Body::empty()).unwrap()).status(), 204);
    assert_eq!(bench.get(&format!("/api/live/{first}")).status(), 404);
    bench.begin_live();
    let unknown = serde_json::json!({"aircraft": "a0", "camera": "c0"});
    assert_eq!(bench.post_json("/api/live", unknown).status(), 404);
    assert_eq!(bench.post_json("/api/live", Value::Null).status(), 400);
}

#[test]
fn a_paired_phone_films_and_others_do_not() {
    let bench = TestBench::with_sample();
    let id = bench.begin_live();
    let code = bench.bench.devices.new_code().unwrap();
    let secret = bench
        .bench
        .devices
        .pair(&code, "phone", [192, 168, 1, 7].into())
        .unwrap();
    let phone = |cookie: &str, origin: &str| {
        let encrypted = Peer {
            is_encrypted: true,
            ..peer([192, 168, 1, 7])
        };
        let mut request = Request::builder()
            .method(Method::POST)
            .uri(format!("/api/live/{id}/frames?time_s=1"))
            .header("host", format!("127.0.0.1:{PORT}"))
            .header("origin", origin)
            .header("cookie", format!("hingewise={cookie}"))
            .extension(encrypted);
        for (name, value) in luma_headers("192", "108") {
            request = request.header(name, value);
        }
        bench
            .ask(request.body(grey().into()).unwrap())
            .status()
            .as_u16()
    };
    let ours = format!("https://127.0.0.1:{PORT}");
    assert_eq!(phone("0", &ours), 401);
    assert_eq!(phone(&secret, &format!("http://127.0.0.1:{PORT}")), 403);
    assert_eq!(phone(&secret, "https://evil.example"), 403);
    assert_eq!(phone(&secret, &ours), 200);
}

/// The aircraft of the bundled scenario with one function.
fn with_function() -> TestBench {
    let bench = TestBench::with_sample();
    let path = bench.folder.path().join("model.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let function = "[[function]]\nname = \"flaps\"\nsurfaces = [\"left aileron\", \"right aileron\"]\n\
                    [[function.match]]";
    std::fs::write(path, text.replace("[[match]]", function)).unwrap();
    bench
}

#[test]
fn a_session_is_begun_on_its_page_for_one_function_and_closed_there() {
    let bench = with_function();
    let id = bench.bench.workshop.aircraft()[0].id.clone();
    let camera = bench.bench.workshop.cameras()[0].id.clone();
    let page = format!("/aircraft/{id}/live");
    assert!(text(bench.get(&page)).contains("<option>flaps</option>"));
    let begin = |function: &str| {
        let form = format!("camera={camera}&function={function}");
        bench.ask(order(Method::POST, &page).body(form.into()).unwrap())
    };
    assert_eq!(begin("rudder").status(), StatusCode::NOT_FOUND);
    let begun = begin("flaps");
    assert_eq!(begun.status(), StatusCode::SEE_OTHER);
    let instrument = begun.headers()["location"].to_str().unwrap().to_owned();
    let shown = text(bench.get(&instrument));
    for words in [
        "data-surface=\"right aileron\"",
        "Difference: right aileron minus left aileron",
        "data-station=\"-75\"",
        "Before you move anything",
    ] {
        assert!(shown.contains(words), "{words}\n{shown}");
    }
    assert!(text(bench.get(&page)).contains("no holds yet"));
    let session = instrument.trim_start_matches("/live/");
    let close = order(Method::POST, &page).body(format!("close={session}").into());
    assert_eq!(bench.ask(close.unwrap()).status(), StatusCode::SEE_OTHER);
    assert_eq!(bench.get(&instrument).status(), StatusCode::NOT_FOUND);
}
