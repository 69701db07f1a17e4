//! A bench in a process of its own, and a plain client for it.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::support::signals::send;

/// A running `hingewise bench`.
pub struct Server {
    child: Child,
    pub port: u16,
    _cache: tempfile::TempDir,
}

impl Server {
    /// Serves a folder; the address has to be the first line of output.
    pub fn of(folder: &Path) -> Self {
        Self::with(folder, &[])
    }

    /// The same, with more options.
    pub fn with(folder: &Path, options: &[&str]) -> Self {
        let cache = tempfile::tempdir().unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_hingewise"))
            .args(["bench", "--no-open", "--port", "0"])
            .args(options)
            .arg(folder)
            .env("HINGEWISE_CACHE_DIR", cache.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        let mut output = BufReader::new(child.stdout.take().unwrap());
        output.read_line(&mut line).unwrap();
        let port = line
            .strip_prefix("http://127.0.0.1:")
            .and_then(|rest| rest.strip_suffix("/\n"));
        let port = port
            .unwrap_or_else(|| panic!("no address: {line:?}"))
            .parse()
            .unwrap();
        Self {
            child,
            port,
            _cache: cache,
        }
    }

    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    pub fn signal(&self, signal: Signal) {
        send(&self.child, signal);
    }

    /// Sends a signal, and waits for the end.
    pub fn end(&mut self, signal: Signal) -> (ExitStatus, Duration) {
        let asked = Instant::now();
        self.signal(signal);
        let status = self.child.wait().unwrap();
        (status, asked.elapsed())
    }

    pub fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], b"")
    }

    pub fn json(&self, path: &str) -> serde_json::Value {
        self.get(path).json()
    }

    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let mut head = format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n",
            self.port
        );
        for (name, value) in headers {
            head += &format!("{name}: {value}\r\n");
        }
        head += &format!(
            "Content-Length: {}\r\nConnection: close\r\n\r\n",
            body.len()
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(body).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        Answer::read(&answer)
    }

    /// Sends a grey picture of that width and height as a frame, taken at a time of the session.
    pub fn send_luma(
        &self,
        frames: &str,
        time_s: f64,
        (width, height): (usize, usize),
        luma: &[u8],
    ) -> Answer {
        let (width, height) = (width.to_string(), height.to_string());
        let headers = [
            ("Content-Type", "application/octet-stream"),
            ("X-Width", width.as_str()),
            ("X-Height", height.as_str()),
            ("X-Range", "full"),
        ];
        let path = format!("{frames}?time_s={time_s}");
        self.send("POST", &path, &headers, luma)
    }

    /// Orders a clip of the folder to be measured.
    pub fn order_sample(&self, clip: &str) -> String {
        let first = |path: &str| self.json(path)[0]["id"].as_str().unwrap().to_owned();
        let order = serde_json::json!({
            "aircraft": first("/api/aircraft"), "camera": first("/api/cameras"), "clip": clip,
        });
        let headers = [("Content-Type", "application/json")];
        let answer = self.send(
            "POST",
            "/api/measurements",
            &headers,
            order.to_string().as_bytes(),
        );
        assert_eq!(answer.status, 202, "{}", answer.text());
        answer.json()["id"].as_str().unwrap().to_owned()
    }

    /// Begins a live session with the aircraft and the camera of the folder.
    pub fn begin_live(&self) -> String {
        let first = |path: &str| self.json(path)[0]["id"].as_str().unwrap().to_owned();
        let ids = serde_json::json!({
            "aircraft": first("/api/aircraft"), "camera": first("/api/cameras"),
        });
        let answer = self.send("POST", "/api/live", &[], ids.to_string().as_bytes());
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()["id"].as_str().unwrap().to_owned()
    }

    pub fn send_sample(&self) -> String {
        let clip = std::fs::read(super::sample("cards.mp4")).unwrap();
        let answer = self.send(
            "POST",
            "/api/clips?name=cards.mp4&changed_ms=1700000000000",
            &[],
            &clip,
        );
        assert_eq!(answer.status, 201, "{}", answer.text());
        answer.json()["id"].as_str().unwrap().to_owned()
    }

    pub fn state(&self, id: &str) -> String {
        let answer = self.json(&format!("/api/measurements/{id}"));
        answer["state"].as_str().unwrap_or_default().to_owned()
    }

    pub fn wait_until(&self, id: &str, wanted: &str) {
        let begun = Instant::now();
        loop {
            let state = self.state(id);
            if state == wanted {
                return;
            }
            let is_open = ["waiting", "running"].contains(&state.as_str());
            assert!(
                is_open && begun.elapsed() < Duration::from_secs(120),
                "{state}"
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// An answer of the bench.
pub struct Answer {
    pub status: u16,
    pub body: Vec<u8>,
}

impl Answer {
    /// A status line, headers, and a body that is as long as it says or comes in chunks (RFC 9112).
    fn read(bytes: &[u8]) -> Self {
        let end = bytes
            .windows(4)
            .position(|four| four == b"\r\n\r\n")
            .expect("no headers");
        let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        assert!(!head.contains("transfer-encoding: chunked"), "{head}");
        Self {
            status,
            body: bytes[end + 4..].to_vec(),
        }
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body).unwrap()
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
}
