//! Measuring live in a real browser, with the bundled clip as its camera.

use std::path::Path;
use std::time::{Duration, Instant};

use rustix::process::Signal;
use serde_json::Value;

use super::browser::{Browser, Camera, View};
use super::live_camera::{camera_file, order_pct};
use super::live_sound::{listen, read_out, said, silenced, wait_to_hear};
use super::server::Server;
use super::{folder_with, in_browser, sample};

const PHONE: View = View {
    name: "live-phone",
    width_px: 390,
    is_dark: true,
    ..DESK
};

const DESK: View = View {
    name: "live-desk",
    ..View::DESK
};

/// A folder with the bundled aircraft, whose stations are those that the camera shows.
fn folder() -> tempfile::TempDir {
    let folder = folder_with(&["camera.toml"]);
    let text = std::fs::read_to_string(sample("model.toml")).unwrap();
    let order: Vec<String> = order_pct().iter().map(f64::to_string).collect();
    let stations = format!("from = \"order\"\norder = [{}]", order.join(", "));
    let text = text.replace("from = \"cards\"", &stations);
    std::fs::write(folder.path().join("model.toml"), text).unwrap();
    folder
}

fn state(server: &Server, id: &str) -> Value {
    server.json(&format!("/api/live/{id}"))
}

fn hold_count(server: &Server, id: &str) -> usize {
    state(server, id)["holds"].as_array().unwrap().len()
}

async fn wait(what: &str, most_s: u64, is_done: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is_done() {
        assert!(begun.elapsed() < Duration::from_secs(most_s), "{what}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// The id of the session that a page shows.
async fn session(browser: &Browser) -> String {
    let page = browser.find("[data-live]").await;
    page.attr("data-live").await.unwrap().unwrap()
}

/// True deflections of the bundled clip: stick, left, right; °, the mean of both visits.
fn truth() -> Vec<(f64, f64, f64)> {
    let text = std::fs::read_to_string(sample("cards-true-stations.csv")).unwrap();
    let rows = text.lines().skip(1).map(|line| {
        let fields: Vec<f64> = line
            .split(',')
            .map(|field| field.parse().unwrap())
            .collect();
        (fields[0], fields[1], fields[2])
    });
    rows.collect()
}

#[test]
fn a_person_measures_live_and_gets_the_numbers() {
    in_browser(async || {
        let folder = folder();
        let pictures = tempfile::tempdir().unwrap();
        let camera = Camera::File(camera_file(pictures.path()));
        let server = Server::of(folder.path());
        let mut browser = Browser::with_camera(DESK, &camera).await;
        browser.goto(&server.address()).await;
        browser.press("Heron").await;
        browser.press("Film").await;
        browser.press("measure live").await;
        browser.wait_for("Before you move anything").await;
        browser.picture("begin").await;
        browser.press("I have done this today").await;
        browser.press("Begin a live session").await;
        browser.wait_for("Start the camera").await;
        browser.picture("ready").await;
        let id = session(&browser).await;
        listen(&browser).await;
        browser.press("Start the camera").await;
        browser.wait_until_shown(".live.filming video").await;
        wait_to_hear(&browser, "a test", |heard| said(heard, "Sound is on.")).await;
        wait("tags in sight", 30, || {
            state(&server, &id)["state"] != "looking"
        })
        .await;
        browser.picture("learning").await;
        wait("learned", 60, || {
            state(&server, &id)["state"] == "measuring"
        })
        .await;
        browser.wait_until_shown(".surface:not(.none)").await;
        stale(&mut browser, &server).await;
        browser.press("Adjust the linkage").await;
        browser.wait_for("The tone rises").await;
        // The sides differ by 2° at one end, and by less than the tolerance near neutral.
        let loud = |heard: &Value| heard["loud"].as_f64().unwrap();
        wait_to_hear(&browser, "a tone", |heard| loud(heard) > 0.0).await;
        wait_to_hear(&browser, "silence", |heard| loud(heard) == 0.0).await;
        browser.picture("by-hand").await;
        figures_fit(&browser).await;
        browser.press("Adjust the linkage").await;
        hold_all(&mut browser, &server, &id).await;
        let two_tones = |heard: &Value| heard["tones"].as_array().unwrap().contains(&990.into());
        wait_to_hear(&browser, "two tones", two_tones).await;
        let asked = |heard: &Value| said(heard, "Held at plus 50.") && said(heard, "Now plus 100.");
        wait_to_hear(&browser, "stations", asked).await;
        let is_held = |heard: &Value| read_out(heard, "Held at +50 %.");
        wait_to_hear(&browser, "a hold for a screen reader", is_held).await;
        silenced(&browser).await;
        browser.picture("held").await;
        browser.press("Finish and compute").await;
        browser.wait_for("Numbers for Heron 2.1 m").await;
        browser.picture("numbers").await;
        like_truth(folder.path(), &server);
        browser.close().await;
    });
}

/// Takes back what was held so far, shows the camera's file from its beginning, and waits until all
/// stations are held in their order.
async fn hold_all(browser: &mut Browser, server: &Server, id: &str) {
    browser.press("Stop the camera").await;
    while hold_count(server, id) > 0 {
        let before = hold_count(server, id);
        browser.press("Undo the last hold").await;
        let is_back = || hold_count(server, id) < before;
        wait("a hold taken back", 10, is_back).await;
    }
    browser.press("Start the camera").await;
    wait("two holds", 60, || hold_count(server, id) >= 2).await;
    browser.picture("holding").await;
    let all = order_pct().len();
    wait("all holds", 90, || hold_count(server, id) >= all).await;
}

/// Large figures with their ± are no wider than their place.
async fn figures_fit(browser: &Browser) {
    let wide = "return [...document.querySelectorAll('.value')].filter(one => one.scrollWidth > \
        one.clientWidth + 1).map(one => [one.textContent, one.scrollWidth, one.clientWidth])";
    let wide = browser.client.execute(wide, Vec::new()).await.unwrap();
    assert_eq!(wide, Value::Array(Vec::new()));
}

/// The server pauses: figures are dimmed, and the page says how old they are.
async fn stale(browser: &mut Browser, server: &Server) {
    assert!(!browser.is_shown(".live.stale").await);
    server.signal(Signal::STOP);
    browser.wait_for("These figures are").await;
    browser.wait_until_shown(".live.stale").await;
    let opacity = "return getComputedStyle(document.querySelector('.value')).opacity";
    let opacity = browser.client.execute(opacity, Vec::new()).await.unwrap();
    assert_eq!(opacity, "0.7");
    browser.picture("stale").await;
    server.signal(Signal::CONT);
    browser.wait_until_shown(".live:not(.stale)").await;
}

/// The measurement is marked as live, and its figures are those of the clip within ±.
fn like_truth(folder: &Path, server: &Server) {
    let id = server.json("/api/measurements")[0]["id"]
        .as_str()
        .unwrap()
        .to_owned();
    let measurement = server.json(&format!("/api/measurements/{id}/measurement.json"));
    assert_eq!(measurement["source"], "live");
    for name in ["report.html", "frames.csv", "stations.csv"] {
        assert_eq!(
            server.get(&format!("/api/measurements/{id}/{name}")).status,
            200,
            "{name}"
        );
        assert!(folder.join("model-live").join(name).is_file());
    }
    for (surface, of_truth) in [(0, 1), (1, 2)] {
        for station in measurement["surfaces"][surface]["stations"]
            .as_array()
            .unwrap()
        {
            let stick_pct = station["stick_pct"].as_f64().unwrap();
            let measured = &station["deflection_deg"];
            let (value, u) = (
                measured["value"].as_f64().unwrap(),
                measured["u"].as_f64().unwrap(),
            );
            // Stations come twice in the clip, rising and falling; the camera shows one of them.
            let nearest = truth().into_iter().filter(|row| row.0 == stick_pct);
            let nearest = nearest.map(|row| value - [row.0, row.1, row.2][of_truth]);
            let off = nearest.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap();
            println!("surface {surface} at {stick_pct}: {value:.3} ±{u:.3}, off by {off:+.3}");
            if stick_pct == 0.0 {
                // Deflections count from here.
                continue;
            }
            // Beyond ± one in twenty; beyond twice that one in ten thousand (normal distribution).
            assert!(
                off.abs() < 2.0 * u,
                "{stick_pct}: {value} ±{u}, off by {off}"
            );
        }
    }
}

#[test]
fn a_camera_that_is_refused_or_missing_is_said_with_what_to_do() {
    in_browser(async || {
        let folder = folder();
        let server = Server::of(folder.path());
        let id = server.begin_live();
        for (camera, words) in [
            (Camera::Refused, "Allow it beside the address"),
            (Camera::Missing, "Connect one, or use a phone"),
        ] {
            let mut browser = Browser::with_camera(DESK, &camera).await;
            browser
                .goto(&format!("{}/live/{id}", server.address()))
                .await;
            browser.press("Start the camera").await;
            browser.wait_for(words).await;
            browser.picture("no-camera").await;
            browser.close().await;
        }
    });
}

/// The rule itself is tested with the handlers: `a_second_page_that_films_is_sent_away_until_it_takes_over`.
#[test]
fn a_second_page_shows_the_same_figures_and_may_take_over() {
    in_browser(async || {
        let folder = folder();
        let pictures = tempfile::tempdir().unwrap();
        let camera = Camera::File(camera_file(pictures.path()));
        let server = Server::of(folder.path());
        let id = server.begin_live();
        let address = format!("{}/live/{id}", server.address());
        let first = Browser::with_camera(DESK, &camera).await;
        first.goto(&address).await;
        first.press("Start the camera").await;
        wait("learned", 60, || {
            state(&server, &id)["state"] == "measuring"
        })
        .await;
        let mut second = Browser::with_camera(PHONE, &camera).await;
        second.goto(&address).await;
        second.wait_for("Another page or a phone is filming").await;
        second.wait_until_shown(".surface:not(.none)").await;
        second.picture("watching").await;
        figures_fit(&second).await;
        second.press("Start the camera").await;
        second.wait_for("Another page films for this session").await;
        second.picture("taken").await;
        second.press("Film here instead").await;
        first.wait_for("Another page films for this session").await;
        second.wait_until_shown(".live.filming video").await;
        second.picture("filming").await;
        first.close().await;
        second.close().await;
    });
}

#[test]
fn a_phone_films_over_an_encrypted_page_that_explains_itself() {
    in_browser(async || {
        let folder = folder();
        let pictures = tempfile::tempdir().unwrap();
        let camera = Camera::File(camera_file(pictures.path()));
        let server = Server::with(folder.path(), &["--lan"]);
        let id = server.begin_live();
        let asked = format!("/phone?go=/live/{id}");
        assert_eq!(server.send("POST", &asked, &[], b"do=code").status, 303);
        let page = server.get(&asked).text();
        let code = page
            .split("type it: ")
            .nth(1)
            .unwrap()
            .split('<')
            .next()
            .unwrap();
        let mut phone = Browser::with_camera(PHONE, &camera).await;
        phone.goto(code).await;
        phone.wait_for("To use the camera of this device").await;
        phone.picture("not-encrypted").await;
        phone.press("Go to the encrypted page").await;
        phone.wait_until_shown("[data-start]").await;
        let now = phone.client.current_url().await.unwrap();
        assert_eq!(
            (now.scheme(), now.path()),
            ("https", format!("/live/{id}").as_str())
        );
        phone.press("Start the camera").await;
        wait("filmed by the phone", 60, || {
            state(&server, &id)["filmed"] == true
        })
        .await;
        wait("learned", 90, || {
            state(&server, &id)["state"] == "measuring"
        })
        .await;
        phone.picture("encrypted").await;
        phone.close().await;
    });
}

#[test]
fn without_script_the_page_says_what_it_needs_and_what_works_without() {
    in_browser(async || {
        let folder = folder();
        let server = Server::of(folder.path());
        let id = server.begin_live();
        let view = View {
            name: "live-plain",
            has_script: false,
            ..DESK
        };
        let mut browser = Browser::open(view).await;
        browser
            .goto(&format!("{}/live/{id}", server.address()))
            .await;
        browser.wait_for("This page needs JavaScript").await;
        browser.picture("no-script").await;
        browser.press("send a clip").await;
        browser.wait_for("Where to stand").await;
        browser.close().await;
    });
}
