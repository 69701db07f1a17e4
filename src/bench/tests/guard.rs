//! Who may ask for what. The rules: RFC 9110 (421), Fetch Metadata Request Headers (W3C), the
//! Fetch standard (Origin).

use super::*;

/// A request with these headers in place of a browser's usual ones.
fn status(method: Method, path: &str, headers: &[(&str, &str)]) -> u16 {
    let bench = TestBench::with_sample();
    let mut request = order(method, path);
    if headers.iter().any(|(name, _)| *name == "host")
        && let Some(all) = request.headers_mut()
    {
        all.remove("host");
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    bench
        .ask(request.body(Body::empty()).unwrap())
        .status()
        .as_u16()
}

#[test]
fn only_names_of_this_computer_with_our_port_are_answered() {
    for host in [
        "127.0.0.1:7001",
        "localhost:7001",
        "LOCALHOST:7001",
        "[::1]:7001",
        "127.0.0.9:7001",
    ] {
        assert_eq!(status(Method::GET, "/", &[("host", host)]), 200, "{host}");
    }
    for host in [
        "",
        "127.0.0.1",
        "127.0.0.1:80",
        "127.0.0.1:70010",
        "evil.example:7001",
        "localhost.evil.example:7001",
        "127.0.0.1.evil.example:7001",
        "192.168.1.7:7001",
        "0.0.0.0:7001",
        "[::]:7001",
        "[::1]",
        "127.0.0.1:7001:7001",
        "user@127.0.0.1:7001",
    ] {
        for path in ["/", "/api/aircraft", "/bench.css", "/nothing"] {
            assert_eq!(
                status(Method::GET, path, &[("host", host)]),
                421,
                "{host} {path}"
            );
        }
    }
    let bench = TestBench::new();
    let request = order(Method::GET, "http://evil.example/")
        .body(Body::empty())
        .unwrap();
    assert_eq!(bench.ask(request).status(), 421);
}

#[test]
fn a_wrong_name_is_answered_with_the_right_one() {
    let bench = TestBench::new();
    let request = Request::get("/api/aircraft").header("host", "evil.example:7001");
    let answer = json(bench.ask(request.body(Body::empty()).unwrap()));
    assert!(
        answer["help"]
            .as_str()
            .unwrap()
            .contains("http://127.0.0.1:7001/"),
        "{answer}"
    );
}

#[test]
fn pages_of_other_sites_may_follow_a_link_and_nothing_else() {
    let link = [
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-mode", "navigate"),
        ("sec-fetch-dest", "document"),
    ];
    assert_eq!(status(Method::GET, "/", &link), 200);
    assert_eq!(status(Method::POST, "/api/measurements", &link), 403);
    let frame = [
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-mode", "navigate"),
        ("sec-fetch-dest", "iframe"),
    ];
    assert_eq!(status(Method::GET, "/", &frame), 403);
    for site in ["cross-site", "same-site", "nonsense"] {
        for path in ["/", "/api/aircraft", "/bench.css"] {
            assert_eq!(
                status(Method::GET, path, &[("sec-fetch-site", site)]),
                403,
                "{site} {path}"
            );
        }
        for method in [Method::POST, Method::PATCH, Method::DELETE] {
            assert_eq!(
                status(method, "/api/clips", &[("sec-fetch-site", site)]),
                403,
                "{site}"
            );
        }
    }
}

#[test]
fn an_origin_that_is_not_ours_changes_nothing() {
    for origin in [
        "http://evil.example",
        "null",
        "http://127.0.0.1:7002",
        "https://127.0.0.1:7001",
        "http://localhost:7001",
        "http://127.0.0.1:7001.evil.example",
        "",
    ] {
        assert_eq!(
            status(Method::POST, "/api/measurements", &[("origin", origin)]),
            403,
            "{origin}"
        );
    }
    let ours = [
        ("origin", "http://127.0.0.1:7001"),
        ("sec-fetch-site", "same-origin"),
    ];
    assert_ne!(status(Method::POST, "/api/measurements", &ours), 403);
}

#[test]
fn other_computers_are_asked_to_pair_whatever_they_ask_for() {
    let bench = TestBench::with_sample();
    let from = |peer: Option<[u8; 4]>, method: Method, path: &str| {
        let mut request = Request::builder()
            .method(method)
            .uri(path)
            .header("host", "127.0.0.1:7001");
        if let Some(peer) = peer {
            request = request.extension(super::peer(peer));
        }
        bench
            .ask(request.body(Body::empty()).unwrap())
            .status()
            .as_u16()
    };
    for peer in [
        None,
        Some([192, 168, 1, 7]),
        Some([10, 0, 0, 1]),
        Some([8, 8, 8, 8]),
    ] {
        for (method, path) in [
            (Method::GET, "/"),
            (Method::GET, "/api/aircraft"),
            (Method::POST, "/api/clips?name=a"),
            (Method::POST, "/api/measurements"),
            (Method::GET, "/nothing"),
        ] {
            assert_eq!(
                from(peer, method.clone(), path),
                401,
                "{peer:?} {method} {path}"
            );
        }
    }
    assert_eq!(from(Some([127, 0, 0, 1]), Method::GET, "/"), 200);
}

#[test]
fn unknown_ids_and_paths_that_climb_are_not_found() {
    for path in [
        "/nothing",
        "/api/nothing",
        "/../Cargo.toml",
        "/%2e%2e/Cargo.toml",
        "/bench.css/../../x",
        "/api/measurements/..%2f..%2fCargo.toml/report.html",
        "/api/measurements/m0000000000000000",
        "/api/measurements/m0000000000000000/measurement.json",
        "/aircraft/a0000000000000000",
    ] {
        assert_eq!(status(Method::GET, path, &[]), 404, "{path}");
    }
}

#[test]
fn a_body_that_announces_too_much_is_not_read() {
    let large = [("content-length", "2000000")];
    assert_eq!(status(Method::POST, "/api/measurements", &large), 413);
}

#[test]
fn every_answer_keeps_pages_apart_from_others() {
    let bench = TestBench::with_sample();
    for path in ["/", "/api/aircraft", "/nothing", "/bench.css"] {
        let response = bench.get(path);
        let header = |name: &str| response.headers()[name].to_str().unwrap();
        assert!(
            header("content-security-policy").starts_with("default-src 'self'"),
            "{path}"
        );
        assert_eq!(header("x-content-type-options"), "nosniff", "{path}");
    }
}

#[test]
fn aircraft_and_cameras_are_listed_under_ids_that_stay() {
    let bench = TestBench::with_sample();
    let aircraft = bench.get_json("/api/aircraft");
    assert_eq!(aircraft[0]["name"], "Heron 2.1 m");
    assert_eq!(aircraft[0]["surfaces"][1], "right aileron");
    let id = aircraft[0]["id"].as_str().unwrap().to_owned();
    assert!(
        !id.contains("model") && id.chars().all(char::is_alphanumeric),
        "{id}"
    );
    let again = Bench::open(bench.folder.path(), PORT).unwrap();
    assert_eq!(again.workshop.aircraft()[0].id, id);
    let cameras = bench.get_json("/api/cameras");
    assert_eq!(cameras.as_array().unwrap().len(), 1);
    assert_eq!(cameras[0]["width_px"], 1920);
    assert_eq!(bench.get_json("/api/measurements"), serde_json::json!([]));
}

#[cfg(unix)]
#[test]
fn links_that_lead_out_of_the_folder_are_not_followed() {
    let outside = TestBench::with_sample();
    let bench = TestBench::new();
    let target = outside.folder.path().join("model.toml");
    std::os::unix::fs::symlink(target, bench.folder.path().join("a.toml")).unwrap();
    std::os::unix::fs::symlink("/", bench.folder.path().join("clips")).unwrap();
    assert_eq!(bench.get_json("/api/aircraft"), serde_json::json!([]));
    assert!(bench.bench.workshop.clips().is_empty());
    let upload = order(Method::POST, "/api/clips?name=a.mp4");
    let refused = bench.ask(upload.body(Body::from(&b"x"[..])).unwrap());
    assert_eq!(refused.status(), 409);
    assert!(text(refused).contains("leads elsewhere"));
}

#[cfg(unix)]
#[test]
fn files_of_results_that_are_links_or_pipes_are_not_served() {
    let bench = TestBench::with_sample();
    let inside = |name: &str| bench.folder.path().join(name);
    let measured = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/measurement/before.json");
    std::fs::create_dir(inside("before")).unwrap();
    std::fs::copy(measured, inside("before/measurement.json")).unwrap();
    std::os::unix::fs::symlink("/etc/passwd", inside("before/report.html")).unwrap();
    let pipe = std::process::Command::new("mkfifo")
        .arg(inside("before/stations.csv"))
        .status();
    assert!(pipe.unwrap().success());
    std::os::unix::fs::symlink("/etc/passwd", inside("camera.html")).unwrap();
    std::fs::create_dir(inside("model-record")).unwrap();
    std::os::unix::fs::symlink("/etc/passwd", inside("model-record/setup-001.html")).unwrap();
    let first = |list: &str| bench.get_json(list)[0]["id"].as_str().unwrap().to_owned();
    let measurement = first("/api/measurements");
    for path in [
        format!("/api/measurements/{measurement}/report.html"),
        format!("/api/measurements/{measurement}/stations.csv"),
        format!("/camera/{}/report.html", first("/api/cameras")),
        format!("/aircraft/{}/setup-sheet.html", first("/api/aircraft")),
    ] {
        assert_eq!(bench.get(&path).status(), 404, "{path}");
    }
}
