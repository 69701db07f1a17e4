//! A real browser, driven as a person would use it.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fantoccini::elements::Element;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};

/// How the page is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    pub name: &'static str,
    pub width_px: u32,
    pub is_dark: bool,
    pub has_script: bool,
}

impl View {
    pub const DESK: Self = Self {
        name: "desk",
        width_px: 1280,
        is_dark: false,
        has_script: true,
    };
}

/// The camera of a browser.
#[derive(Debug, Clone)]
pub enum Camera {
    /// The computer has none.
    Missing,
    /// The person does not let pages use it.
    Refused,
    /// It shows the frames of a file, over and over.
    File(PathBuf),
}

impl Camera {
    fn arguments(&self) -> Vec<String> {
        let fake = "--use-fake-device-for-media-stream";
        match self {
            Self::Missing => Vec::new(),
            Self::Refused => vec![fake.into(), "--deny-permission-prompts".into()],
            Self::File(file) => vec![
                fake.into(),
                "--use-fake-ui-for-media-stream".into(),
                format!("--use-file-for-fake-video-capture={}", file.display()),
            ],
        }
    }
}

/// A browser with its driver.
pub struct Browser {
    pub client: Client,
    driver: Child,
    driver_port: u16,
    pictures: PathBuf,
    view: View,
    count: u32,
    _profile: tempfile::TempDir,
}

/// Chromium's driver, which comes with the package chromium-driver.
fn driver(port: u16) -> Child {
    Command::new("chromedriver")
        .arg(format!("--port={port}"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("these tests need chromium and its driver: install the packages chromium and chromium-driver")
}

/// Arguments and preferences of the browser.
fn capabilities(view: View, camera: &Camera, profile: &Path) -> Value {
    let mut arguments = camera.arguments();
    arguments.extend([
        "--headless=new".to_owned(),
        // Tests run as root in containers.
        "--no-sandbox".into(),
        "--disable-dev-shm-usage".into(),
        "--disable-gpu".into(),
        "--hide-scrollbars".into(),
        "--force-color-profile=srgb".into(),
        format!("--user-data-dir={}", profile.display()),
        format!("--window-size={},900", view.width_px.max(500)),
    ]);
    if view.is_dark {
        arguments.push("--force-dark-mode".into());
        arguments.push("--blink-settings=preferredColorScheme=0".into());
    }
    let mut options = json!({ "args": arguments });
    if view.width_px < 500 {
        options["mobileEmulation"] = json!({
            "deviceMetrics": {"width": view.width_px, "height": 844, "pixelRatio": 2.0, "mobile": true, "touch": true},
        });
    }
    if !view.has_script {
        options["prefs"] = json!({"profile.managed_default_content_settings.javascript": 2});
    }
    // The certificate that the bench makes for phones is trusted by a person, not by an authority.
    json!({ "browserName": "chrome", "acceptInsecureCerts": true, "goog:chromeOptions": options })
}

impl Browser {
    pub async fn open(view: View) -> Self {
        Self::with_camera(view, &Camera::Missing).await
    }

    pub async fn with_camera(view: View, camera: &Camera) -> Self {
        let port = TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        let driver = driver(port);
        let begun = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(
                begun.elapsed() < Duration::from_secs(20),
                "chromedriver does not answer"
            );
            std::thread::sleep(Duration::from_millis(50));
        }
        let profile = tempfile::tempdir().unwrap();
        let Value::Object(capabilities) = capabilities(view, camera, profile.path()) else {
            unreachable!("capabilities are an object")
        };
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities)
            .connect(&format!("http://127.0.0.1:{port}"))
            .await
            .expect("chromium does not start");
        // Kept for looking at where that is asked for, as the pages of reports are.
        let pictures = match std::env::var_os("HINGEWISE_LOOK") {
            Some(folder) => PathBuf::from(folder),
            None => profile.path().join("pictures"),
        };
        std::fs::create_dir_all(&pictures).unwrap();
        Self {
            client,
            driver,
            driver_port: port,
            pictures,
            view,
            count: 0,
            _profile: profile,
        }
    }

    pub async fn goto(&self, address: &str) {
        self.client.goto(address).await.unwrap();
    }

    /// The first element that a CSS selector finds, waited for.
    pub async fn find(&self, css: &str) -> Element {
        let wait = self.client.wait().at_most(Duration::from_secs(60));
        let found = wait.for_element(Locator::Css(css)).await;
        match found {
            Ok(element) => element,
            Err(error) => panic!("{css}: {error}\n{}", self.text().await),
        }
    }

    /// Clicks a link or a button by its words.
    pub async fn press(&self, words: &str) {
        let path = format!(
            "//*[self::a or self::button or self::summary][contains(normalize-space(.), \"{words}\")]"
        );
        let wait = self.client.wait().at_most(Duration::from_secs(60));
        let found = wait.for_element(Locator::XPath(&path)).await;
        let Ok(element) = found else {
            panic!("no {words:?} in\n{}", self.text().await);
        };
        element.click().await.unwrap();
    }

    pub async fn fill(&self, css: &str, text: &str) {
        let field = self.find(css).await;
        field.clear().await.unwrap();
        field.send_keys(text).await.unwrap();
    }

    /// What the page says.
    pub async fn text(&self) -> String {
        let body = self.client.find(Locator::Css("body")).await.unwrap();
        body.text().await.unwrap()
    }

    /// Waits until the page says something.
    pub async fn wait_for(&self, words: &str) {
        let begun = Instant::now();
        loop {
            let text = self.text_if_any().await;
            if text.contains(words) {
                return;
            }
            assert!(
                begun.elapsed() < Duration::from_secs(90),
                "no {words:?} in\n{text}"
            );
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// What the page says, also while another is being loaded.
    async fn text_if_any(&self) -> String {
        match self.client.find(Locator::Css("body")).await {
            Ok(body) => body.text().await.unwrap_or_default(),
            Err(_) => String::new(),
        }
    }

    /// A picture of the whole page, and a look at what must never be: a page wider than its window. On a
    /// phone such a page makes `innerWidth` wider as well, and taps by the driver miss.
    pub async fn picture(&mut self, name: &str) {
        self.count += 1;
        let widths = self.numbers("return [document.documentElement.scrollWidth, document.documentElement.clientWidth, document.documentElement.scrollHeight]").await;
        assert!(
            widths[0] <= widths[1] + 1.0,
            "{name}: the page is {} px wide in {}",
            widths[0],
            widths[1]
        );
        if self.view.width_px >= 500 {
            let height = widths[2].clamp(400.0, 8000.0) as u32 + 140;
            self.client
                .set_window_size(self.view.width_px, height)
                .await
                .unwrap();
        }
        self.check_access(name).await;
        let picture = self.client.screenshot().await.unwrap();
        let file = format!("{}-{:02}-{name}.png", self.view.name, self.count);
        std::fs::write(self.pictures.join(file), picture).unwrap();
    }

    /// No violation that the accessibility checker axe-core finds, where `HINGEWISE_AXE` names its
    /// script (axe.min.js of the npm package axe-core).
    async fn check_access(&self, name: &str) {
        let axe = std::env::var_os("HINGEWISE_AXE");
        // The checker is a script itself.
        let Some(axe) = axe.filter(|_| self.view.has_script) else {
            return;
        };
        let axe = std::fs::read_to_string(axe).unwrap();
        self.client.execute(&axe, Vec::new()).await.unwrap();
        let run = "const done = arguments[arguments.length - 1]; axe.run({iframes: false, runOnly: \
            ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}).then(found => \
            done(found.violations.map(one => [one.id, one.nodes.map(node => node.html)])))";
        let found = self.client.execute_async(run, Vec::new()).await.unwrap();
        println!(
            "{}: {name}: {} violations",
            self.view.name,
            found.as_array().unwrap().len()
        );
        assert_eq!(found, json!([]), "{name}");
    }

    async fn numbers(&self, script: &str) -> Vec<f64> {
        let numbers = self.client.execute(script, Vec::new()).await.unwrap();
        numbers
            .as_array()
            .unwrap()
            .iter()
            .map(|number| number.as_f64().unwrap())
            .collect()
    }

    /// Whether an element can be seen now.
    pub async fn is_shown(&self, css: &str) -> bool {
        match self.client.find(Locator::Css(css)).await {
            Ok(element) => element.is_displayed().await.unwrap_or(false),
            Err(_) => false,
        }
    }

    /// Waits until an element that a CSS selector finds can be seen.
    pub async fn wait_until_shown(&self, css: &str) {
        let begun = Instant::now();
        while !self.is_shown(css).await {
            assert!(
                begun.elapsed() < Duration::from_secs(60),
                "no {css} in\n{}",
                self.text_if_any().await
            );
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    pub async fn close(self) {
        let _ = self.client.clone().close().await;
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // The driver ends its browsers when it is asked to, also after a test that failed.
        let asked = TcpStream::connect(("127.0.0.1", self.driver_port)).and_then(|mut stream| {
            let host = format!("Host: 127.0.0.1:{}", self.driver_port);
            write!(
                stream,
                "GET /shutdown HTTP/1.1\r\n{host}\r\nConnection: close\r\n\r\n"
            )?;
            stream.read_to_end(&mut Vec::new())
        });
        drop(asked);
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
