//! Every page, without and with faults.

use super::*;

impl TestBench {
    pub fn page(&self, path: &str) -> String {
        let response = self.get(path);
        let status = response.status();
        let text = text(response);
        assert_eq!(status, StatusCode::OK, "{path}: {text}");
        text
    }

    fn post_form(&self, path: &str, fields: &[(&str, &str)]) -> Response {
        let body = form_urlencoded::Serializer::new(String::new())
            .extend_pairs(fields)
            .finish();
        self.ask(order(Method::POST, path).body(body.into()).unwrap())
    }

    pub fn aircraft_id(&self) -> String {
        self.bench.workshop.aircraft()[0].id.clone()
    }

    /// With a measurement that was kept by `measure`.
    pub fn with_measurement() -> Self {
        let bench = Self::with_clip();
        let measurement = crate::measurement::sample::heron();
        let folder = bench.folder.path().join("heron-result");
        std::fs::create_dir(&folder).unwrap();
        std::fs::write(
            folder.join("measurement.json"),
            measurement.to_json().unwrap(),
        )
        .unwrap();
        let model = bench.folder.path().join("model.toml");
        let text = std::fs::read_to_string(&model).unwrap();
        let text = text
            .replace("Heron 2.1 m", &measurement.model)
            .replace(" aileron", " tailplane");
        std::fs::write(model, text).unwrap();
        bench
    }
}

#[test]
fn every_page_of_an_aircraft_can_be_opened_before_anything_was_measured() {
    let bench = TestBench::with_clip();
    let id = bench.aircraft_id();
    assert!(bench.page("/").contains("Heron 2.1 m"));
    let session = bench.begin_live();
    let of_aircraft = ["", "/edit", "/text", "/print", "/film", "/live", "/history"];
    let of_aircraft = of_aircraft.map(|page| format!("/aircraft/{id}{page}"));
    for page in of_aircraft.into_iter().chain([format!("/live/{session}")]) {
        let text = bench.page(&page);
        assert!(text.contains("<h1>") && text.contains("</html>"), "{page}");
        // Nothing inline: the policy of the pages would refuse it.
        for inline in ["<script>", " style=", "<style", " onclick", "javascript:"] {
            assert!(!text.contains(inline), "{page}: {inline}");
        }
    }
    for page in [
        "/aircraft/new",
        "/camera",
        "/camera/new",
        "/camera/live",
        "/phone",
        "/pair",
    ] {
        bench.page(page);
    }
    let camera = bench.bench.workshop.cameras()[0].id.clone();
    assert!(
        bench
            .page(&format!("/camera/{camera}"))
            .contains("no uncertainty stated")
    );
    // The headline that `calibrate` gave this profile, as calibration/README.md quotes it.
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let example = root.join("calibration/example-phone-1080p.toml");
    std::fs::copy(example, bench.folder.path().join("phone.toml")).unwrap();
    let verdict = "good: adds ±0.003° to a 30° deflection";
    assert!(bench.page("/camera").contains(verdict));
}

#[test]
fn what_is_printed_is_the_pdf_of_the_command() {
    let bench = TestBench::with_sample();
    let id = bench.aircraft_id();
    for (name, query) in [
        ("kit.pdf", ""),
        ("cards.pdf", "?paper=letter"),
        ("kit.pdf", "?bar_short_mm=99,5"),
    ] {
        let response = bench.get(&format!("/aircraft/{id}/print/{name}{query}"));
        assert_eq!(response.headers()["content-type"], "application/pdf");
        assert!(bytes(response).starts_with(b"%PDF"));
    }
    let refused = bench.get(&format!("/aircraft/{id}/print/kit.pdf?bar_short_mm=50"));
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(bytes(bench.get("/camera/board.pdf")).starts_with(b"%PDF"));
}

#[test]
fn a_new_aircraft_gets_a_file_and_faults_stand_beside_their_fields() {
    let bench = TestBench::new();
    let refused = bench.post_form("/aircraft/new", &[("name", ""), ("distance_m", "1")]);
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(refused);
    assert!(
        page.contains("Give the aircraft a name.") && page.contains("Choose at least one surface")
    );
    assert!(bench.bench.workshop.aircraft().is_empty());
    let fields = [
        ("name", "../Heron <b>"),
        ("usual", "Ailerons"),
        ("others", "left wing flap\r\nright wing flap"),
        ("distance_m", "1"),
        ("stations", "order"),
    ];
    let made = bench.post_form("/aircraft/new", &fields);
    assert_eq!(made.status(), StatusCode::SEE_OTHER);
    let aircraft = bench.bench.workshop.aircraft();
    let model = aircraft[0].model.as_ref().unwrap();
    assert_eq!(model.surfaces.len(), 4);
    assert_eq!(model.surfaces[0].edge_mm, 20.0);
    assert_eq!(model.matches.len(), 2);
    let inside = bench.folder.path().join(&aircraft[0].file);
    assert_eq!(
        inside.canonicalize().unwrap().parent().unwrap(),
        bench.folder.path().canonicalize().unwrap()
    );
    // Names from outside are shown as text.
    let page = bench.page("/");
    assert!(
        page.contains("Heron &#60;b&#62;") || page.contains("Heron &lt;b&gt;"),
        "{page}"
    );
}

#[test]
fn an_edit_with_a_fault_changes_no_file_and_says_where() {
    let bench = TestBench::with_sample();
    let id = bench.aircraft_id();
    let path = bench.folder.path().join("model.toml");
    let before = std::fs::read_to_string(&path).unwrap();
    let refused = bench.post_form(
        &format!("/aircraft/{id}/edit"),
        &[("surface.0.side", "lift"), ("surface.1.tag", "10")],
    );
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let page = text(refused);
    assert!(
        page.contains("id=\"surface.0.side-wrong-1\"")
            && page.contains("id=\"surface.1.tag-wrong-1\""),
        "{page}"
    );
    assert_eq!(std::fs::read_to_string(&path).unwrap(), before);
    let saved = bench.post_form(
        &format!("/aircraft/{id}/edit"),
        &[("surface.0.chord_mm", "63")],
    );
    assert_eq!(saved.status(), StatusCode::SEE_OTHER);
    assert_eq!(
        std::fs::read_to_string(&path).unwrap(),
        before.replacen("62.0", "63.0", 1)
    );
    let text_saved = bench.post_form(
        &format!("/aircraft/{id}/text"),
        &[("text", &before.replace('\n', "\r\n"))],
    );
    assert_eq!(text_saved.status(), StatusCode::SEE_OTHER);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), before);
}

#[test]
fn the_first_picture_of_a_clip_is_shown_with_its_tags_before_it_is_measured() {
    let bench = TestBench::with_clip();
    let (id, clip) = (
        bench.aircraft_id(),
        bench.bench.workshop.clips()[0].id.clone(),
    );
    // The quickest of three, since other tests share the cores.
    let mut took = Vec::new();
    let mut page = String::new();
    for _ in 0..3 {
        let asked = std::time::Instant::now();
        page = bench.page(&format!("/aircraft/{id}/clips/{clip}"));
        took.push(asked.elapsed());
    }
    took.sort();
    assert!(took[0] < std::time::Duration::from_secs(2), "{took:?}");
    assert_eq!(page.matches("pixels wide").count(), 3, "{page}");
    assert!(
        page.contains("H.264, 1920 × 1080 pixels, landscape, 30 pictures a second, 11.8 s, 2.5 MB"),
        "{page}"
    );
    let drawing = bench.get(&format!("/aircraft/{id}/clips/{clip}/picture.svg"));
    assert_eq!(drawing.headers()["content-type"], "image/svg+xml");
    let drawing = text(drawing);
    assert!(
        [">0<", ">10<", ">11<"]
            .iter()
            .all(|id| drawing.contains(id))
    );
}

#[test]
fn numbers_are_ticked_off_kept_and_carried_into_the_model_file() {
    let bench = TestBench::with_measurement();
    let id = bench.bench.workshop.measurements()[0].id.clone();
    let numbers = format!("/measurements/{id}/numbers");
    let page = bench.page(&numbers);
    assert!(
        page.contains("0 of 7 entered") && page.contains("Stop at once if a servo hums"),
        "{page}"
    );
    let aircraft = bench.aircraft_id();
    assert!(
        bench
            .page(&format!("/aircraft/{aircraft}"))
            .contains("Next: Enter the numbers")
    );
    let tick = "right tailplane: end point at −100, trailing edge down";
    assert_eq!(
        bench.post_form(&numbers, &[("tick", tick)]).status(),
        StatusCode::SEE_OTHER
    );
    assert!(bench.page(&numbers).contains("1 of 7 entered"));
    // After a restart as well.
    let again = TestBench {
        bench: Bench::open(bench.folder.path(), PORT).unwrap(),
        folder: bench.folder,
    };
    assert!(again.page(&numbers).contains("1 of 7 entered"));
    let carried = again.post_form(&format!("/measurements/{id}/entered"), &[]);
    assert_eq!(carried.status(), StatusCode::SEE_OTHER, "{}", text(carried));
    let model = again.bench.workshop.aircraft().remove(0).model.unwrap();
    let measurement = crate::measurement::sample::heron();
    let active = &model.radio.unwrap().active["right tailplane"];
    assert_eq!(*active, measurement.matches[0].settings);
}

#[test]
fn a_camera_name_that_the_profile_cannot_have_is_refused_before_the_work() {
    let bench = TestBench::with_clip();
    let clip = bench.bench.workshop.clips()[0].id.clone();
    let order = |name: &str| {
        let fields = [
            ("name", name),
            ("columns", "9"),
            ("rows", "6"),
            ("square_mm", "24"),
            ("clip", &clip),
        ];
        bench.post_form("/camera/new", &fields)
    };
    let refused = order(&"o".repeat(101));
    assert_eq!(refused.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text(refused).contains("at most 100 letters"));
    assert!(bench.bench.line.entries().is_empty());
    assert_eq!(order(&"o".repeat(100)).status(), StatusCode::SEE_OTHER);
}

#[test]
fn a_measurement_is_kept_in_the_record_and_compared() {
    let bench = TestBench::with_measurement();
    let id = bench.bench.workshop.measurements()[0].id.clone();
    assert!(
        bench
            .page(&format!("/measurements/{id}"))
            .contains("Keep it in the record")
    );
    assert_eq!(
        bench
            .post_form(&format!("/measurements/{id}"), &[("do", "keep")])
            .status(),
        StatusCode::SEE_OTHER
    );
    assert!(
        bench
            .folder
            .path()
            .join("model-record/setup-001.html")
            .is_file()
    );
    assert!(
        bench
            .page(&format!("/measurements/{id}"))
            .contains("is in the record")
    );
    let sheet = bench.get(&format!(
        "/aircraft/{}/setup-sheet.html",
        bench.aircraft_id()
    ));
    assert!(text(sheet).contains("setup sheet"));
    // The latest one is the one with the largest number, as `record` counts.
    let record = bench.folder.path().join("model-record");
    std::fs::write(record.join("setup-999.html"), "earlier").unwrap();
    std::fs::write(record.join("setup-1000.html"), "later").unwrap();
    std::fs::write(record.join("setup-notes.html"), "notes").unwrap();
    let sheet = bench.get(&format!(
        "/aircraft/{}/setup-sheet.html",
        bench.aircraft_id()
    ));
    assert_eq!(text(sheet), "later");
    let after = crate::measurement::sample::heron_after();
    let folder = bench.folder.path().join("second");
    std::fs::create_dir(&folder).unwrap();
    std::fs::write(folder.join("measurement.json"), after.to_json().unwrap()).unwrap();
    let history = bench.page(&format!("/aircraft/{}/history", bench.aircraft_id()));
    let link = history
        .split("href=\"/compare/")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    assert!(history.contains("change of the largest deflections since the oldest"));
    bench.page(&format!("/compare/{link}"));
    let comparison = bench.get(&format!("/compare/{link}/comparison.html"));
    assert!(
        comparison.headers()["content-security-policy"]
            .to_str()
            .unwrap()
            .starts_with("sandbox;")
    );
    assert!(text(comparison).contains("Before and after"));
}

#[test]
fn reports_are_served_with_nothing_allowed_but_what_they_hold() {
    let bench = TestBench::with_measurement();
    let id = bench.bench.workshop.measurements()[0].id.clone();
    std::fs::write(
        bench.folder.path().join("heron-result/report.html"),
        "<script>alert(1)</script>",
    )
    .unwrap();
    let report = bench.get(&format!("/api/measurements/{id}/report.html"));
    let policy = report.headers()["content-security-policy"]
        .to_str()
        .unwrap();
    assert!(
        policy.starts_with("sandbox;") && policy.contains("default-src 'none'"),
        "{policy}"
    );
    assert_eq!(
        bench
            .get(&format!("/api/measurements/{id}/marked.svg"))
            .status(),
        404
    );
    assert_eq!(
        bench
            .get(&format!("/api/measurements/{id}/..%2fmodel.toml"))
            .status(),
        404
    );
}

#[test]
fn nothing_is_changed_by_looking() {
    let bench = TestBench::with_measurement();
    let id = bench.bench.workshop.measurements()[0].id.clone();
    let aircraft = bench.aircraft_id();
    let clip = bench.bench.workshop.clips()[0].id.clone();
    let listing = || {
        let mut all = Vec::new();
        let mut folders = vec![bench.folder.path().to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).unwrap() {
                let entry = entry.unwrap();
                let metadata = entry.metadata().unwrap();
                if metadata.is_dir() {
                    folders.push(entry.path());
                }
                all.push((entry.path(), metadata.modified().unwrap()));
            }
        }
        all.sort();
        all
    };
    let before = listing();
    for path in [
        "/".to_owned(),
        format!("/aircraft/{aircraft}"),
        format!("/aircraft/{aircraft}/edit"),
        format!("/measurements/{id}"),
        format!("/measurements/{id}/numbers"),
        format!("/measurements/{id}/entered"),
        format!("/aircraft/{aircraft}/film"),
        format!("/aircraft/{aircraft}/clips/{clip}"),
        "/phone".into(),
        "/cautions".into(),
        "/camera/new".into(),
        format!("/api/clips/{clip}"),
        "/api/measurements".into(),
        format!("/api/measurements/{id}/resume"),
    ] {
        bench.get(&path);
    }
    assert_eq!(listing(), before);
}

#[test]
fn invisible_characters_of_names_stay_in_the_file_and_out_of_the_pages() {
    let bench = TestBench::with_sample();
    let file = bench.folder.path().join("model.toml");
    let model = std::fs::read_to_string(&file).unwrap();
    let model = model.replacen("name = \"", "name = \"\u{202e}", 1);
    std::fs::write(&file, &model).unwrap();
    let id = bench.aircraft_id();
    for page in ["", "/film", "/print", "/history"] {
        let shown = text(bench.get(&format!("/aircraft/{id}{page}")));
        assert!(!shown.contains('\u{202e}'), "{page}");
    }
    assert!(!text(bench.get("/")).contains('\u{202e}'));
    let carried = text(bench.get(&format!("/aircraft/{id}/text")));
    assert!(carried.contains('\u{202e}'));
}

#[test]
fn a_phone_is_paired_reads_and_changes_nothing_of_the_computer() {
    let bench = TestBench::with_clip();
    let phone = |method: Method, path: &str, cookie: &str, body: &str| {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header("host", format!("127.0.0.1:{PORT}"))
            .header("cookie", cookie)
            .extension(peer([192, 168, 1, 7]));
        bench.ask(request.body(body.to_owned().into()).unwrap())
    };
    assert_eq!(phone(Method::GET, "/", "", "").status(), 401);
    assert_eq!(phone(Method::GET, "/pair", "", "").status(), 200);
    assert_eq!(phone(Method::POST, "/api/pair", "", "guess").status(), 401);
    let code = bench.bench.devices.new_code().unwrap();
    let paired = phone(Method::POST, "/api/pair", "", &code);
    assert_eq!(paired.status(), 200);
    let set = paired.headers()["set-cookie"].to_str().unwrap().to_owned();
    assert!(
        set.contains("HttpOnly") && set.contains("SameSite=Strict"),
        "{set}"
    );
    let cookie = set.split(';').next().unwrap();
    assert_eq!(phone(Method::POST, "/api/pair", "", &code).status(), 401);
    let id = bench.aircraft_id();
    for path in ["/", "/api/aircraft", &format!("/aircraft/{id}/film")] {
        assert_eq!(phone(Method::GET, path, cookie, "").status(), 200, "{path}");
        assert_eq!(
            phone(Method::GET, path, "hingewise=0", "").status(),
            401,
            "{path}"
        );
    }
    for (path, offer) in [
        ("/", "New aircraft"),
        (&format!("/aircraft/{id}/film"), "Send it from the phone"),
    ] {
        assert!(text(bench.get(path)).contains(offer), "{path}");
        let there = text(phone(Method::GET, path, cookie, ""));
        assert!(!there.contains(offer), "{path}");
    }
    for path in [
        "/phone",
        "/aircraft/new",
        &format!("/aircraft/{id}/edit"),
        "/camera/new",
    ] {
        assert_eq!(
            phone(Method::POST, path, cookie, "").status(),
            403,
            "{path}"
        );
    }
    assert_eq!(
        phone(Method::POST, "/api/clips?name=a.mp4", cookie, "x").status(),
        422
    );
    bench
        .bench
        .devices
        .revoke(bench.bench.devices.list()[0].number);
    assert_eq!(phone(Method::GET, "/", cookie, "").status(), 401);
}
