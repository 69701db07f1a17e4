//! The whole job in a browser, as a person does it: from no aircraft at all to its numbers.

use super::browser::{Browser, View};
use super::server::Server;
use super::{folder_with, in_browser, sample};

/// The camera was calibrated before; everything else is done on the pages.
async fn whole_job(view: View) {
    let folder = folder_with(&["camera.toml"]);
    let server = Server::of(folder.path());
    let mut browser = Browser::open(view).await;
    browser.goto(&server.address()).await;
    browser
        .wait_for("No model file is in this folder yet")
        .await;
    browser.picture("empty").await;
    describe(&mut browser).await;
    print(&mut browser).await;
    film(&mut browser).await;
    enter(&mut browser).await;
    let text = std::fs::read_to_string(folder.path().join("heron_2_1_m.toml")).unwrap();
    assert!(text.starts_with("# Model file of hingewise."), "{text}");
    assert!(text.contains("[radio.active.\"right aileron\"]"), "{text}");
    browser.close().await;
}

async fn describe(browser: &mut Browser) {
    browser.press("New aircraft").await;
    browser.find("#name").await;
    browser.picture("new").await;
    browser.fill("#name", "Heron 2.1 m").await;
    browser.press("Write the model file").await;
    browser.wait_for("Choose at least one surface").await;
    browser.picture("new-faults").await;
    browser
        .find("input[value=Ailerons]")
        .await
        .click()
        .await
        .unwrap();
    browser.fill("#edge_mm", "20").await;
    browser
        .fill(
            "#curve_points_pct",
            "-100, -75, -50, -25, 0, 25, 50, 75, 100",
        )
        .await;
    browser.press("Write the model file").await;
    browser.wait_for("Next: Print the kit").await;
    browser.picture("overview").await;
    // In the bundled clip both ailerons move as flaps do.
    browser.press("Change the description").await;
    browser.fill("[name='surface.0.chord_mm']", "wide").await;
    browser.press("Save").await;
    browser.wait_for("`chord_mm` has to be a number").await;
    browser.picture("edit-faults").await;
    browser.fill("[name='surface.0.chord_mm']", "62").await;
    browser.fill("[name='surface.1.chord_mm']", "62").await;
    browser
        .find("[name='match.0.motion'] option[value=same]")
        .await
        .click()
        .await
        .unwrap();
    browser.press("Save").await;
    browser.wait_for("Next: Print the kit").await;
}

async fn print(browser: &mut Browser) {
    browser.press("Print the kit").await;
    browser.wait_for("tag 10, 20 mm: left aileron").await;
    browser.picture("print").await;
    browser.press("The bars measure 100.0 mm").await;
    browser.wait_for("Next: Film").await;
}

async fn film(browser: &mut Browser) {
    browser.press("Film").await;
    browser.wait_for("Before you move anything").await;
    browser.picture("film").await;
    browser.press("I have done this today").await;
    browser.wait_for("confirmed today").await;
    let clip = sample("cards.mp4");
    browser
        .find("#clip")
        .await
        .send_keys(clip.to_str().unwrap())
        .await
        .unwrap();
    browser.press("Send the clip").await;
    browser.wait_for("Tags in the first picture").await;
    browser.wait_for("left aileron").await;
    browser.picture("look").await;
    browser.press("Measure").await;
    browser.wait_for("Numbers to enter").await;
    browser.picture("result").await;
}

async fn enter(browser: &mut Browser) {
    browser.press("Numbers to enter").await;
    browser.wait_for("right aileron").await;
    browser.picture("numbers").await;
    let first = browser.find(".numbers input").await;
    first.click().await.unwrap();
    if browser
        .client
        .find(fantoccini::Locator::Css("[data-without-script]"))
        .await
        .is_ok()
    {
        browser.press("Keep the ticks").await;
    }
    browser.wait_for("1 of").await;
    // Ticks outlast a reload once they were kept.
    tokio::time::sleep(std::time::Duration::from_millis(300)).await;
    browser.client.refresh().await.unwrap();
    browser.wait_for("1 of").await;
    assert!(
        browser
            .find(".numbers input")
            .await
            .is_selected()
            .await
            .unwrap()
    );
    browser.picture("ticked").await;
    browser.press("Whole report").await;
    browser.find("iframe").await;
    browser.picture("report").await;
    browser.client.back().await.unwrap();
    browser.press("Film again with these numbers").await;
    browser.wait_for("Where to stand").await;
    browser.press("Check").await;
    browser.wait_for("Largest deflections").await;
    browser.picture("history").await;
    browser.press("Camera").await;
    browser.wait_for("Verdict").await;
    browser.picture("camera").await;
    browser.press("Calibrate from a clip or stills").await;
    browser.wait_for("1. Print the board").await;
    browser.picture("calibration").await;
    browser.press("Phone").await;
    browser.wait_for("Open the bench for phones").await;
    browser.picture("phone").await;
}

#[test]
fn a_new_aircraft_gets_its_numbers_at_a_desk() {
    in_browser(async || whole_job(View::DESK).await);
}

#[test]
fn a_new_aircraft_gets_its_numbers_on_a_phone_in_the_dark() {
    let view = View {
        name: "phone",
        width_px: 390,
        is_dark: true,
        ..View::DESK
    };
    in_browser(async || whole_job(view).await);
}

#[test]
fn a_new_aircraft_gets_its_numbers_without_script() {
    let view = View {
        name: "plain",
        has_script: false,
        ..View::DESK
    };
    in_browser(async || whole_job(view).await);
}
