//! The bench over sockets: how it begins and ends, and that it gives what the commands give.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use super::folder_with;
use super::server::Server;
use crate::support::signals::ending;

const ALL: [&str; 3] = ["model.toml", "camera.toml", "cards.mp4"];
const FILES: [&str; 4] = [
    "measurement.json",
    "report.html",
    "frames.csv",
    "stations.csv",
];

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// What `measure` writes for a clip of the folder.
fn measured_by_command(folder: &Path, clip: &str) -> tempfile::TempDir {
    let out = tempfile::tempdir().unwrap();
    let cache = tempfile::tempdir().unwrap();
    let status = Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .args([
            "measure",
            clip,
            "--model",
            "model.toml",
            "--camera",
            "camera.toml",
            "--quiet",
            "--out",
        ])
        .arg(out.path())
        .current_dir(folder)
        .env("HINGEWISE_CACHE_DIR", cache.path())
        .status()
        .unwrap();
    assert!(status.success());
    out
}

fn same_bytes(server: &Server, id: &str, out: &Path) {
    for name in FILES {
        let by_command = std::fs::read(out.join(name)).unwrap();
        let served = server.get(&format!("/api/measurements/{id}/{name}"));
        assert_eq!(served.status, 200);
        assert!(served.body == by_command, "{name} differs");
    }
}

#[test]
fn a_clip_that_is_sent_and_measured_gives_the_bytes_that_measure_writes() {
    let folder = folder_with(&["model.toml", "camera.toml"]);
    let server = Server::of(folder.path());
    let clip = server.send_sample();
    let id = server.order_sample(&clip);
    server.wait_until(&id, "done");
    same_bytes(
        &server,
        &id,
        measured_by_command(folder.path(), "clips/cards.mp4").path(),
    );
    assert_eq!(
        names(folder.path()),
        [
            ".hingewise-bench",
            "camera.toml",
            "clips",
            "model-cards",
            "model.toml"
        ]
    );
}

#[test]
fn a_bench_that_is_killed_while_it_measures_goes_on_after_its_next_start() {
    let folder = folder_with(&ALL);
    let mut server = Server::of(folder.path());
    let clip = server.send_sample();
    let id = server.order_sample(&clip);
    server.wait_until(&id, "running");
    server.end(Signal::KILL);
    let server = Server::of(folder.path());
    assert_eq!(server.state(&id), "failed");
    let page = server.get(&format!("/measurements/{id}")).text();
    assert!(page.contains("Go on"), "{page}");
    assert_eq!(
        server
            .send("POST", &format!("/api/measurements/{id}/resume"), &[], b"")
            .status,
        202
    );
    server.wait_until(&id, "done");
    same_bytes(
        &server,
        &id,
        measured_by_command(folder.path(), "clips/cards.mp4").path(),
    );
}

#[test]
fn signals_end_the_bench_within_two_seconds_with_nothing_half_written() {
    for (signal, _) in ending() {
        let folder = folder_with(&ALL);
        let mut server = Server::of(folder.path());
        let clip = server.send_sample();
        let id = server.order_sample(&clip);
        server.wait_until(&id, "running");
        let (status, took) = server.end(signal);
        assert!(status.success(), "{signal:?}: {status}");
        assert!(took < Duration::from_secs(2), "{signal:?}: {took:?}");
        let left = [
            ".hingewise-bench",
            "camera.toml",
            "cards.mp4",
            "clips",
            "model.toml",
        ];
        assert_eq!(names(folder.path()), left, "{signal:?}");
    }
}

#[test]
fn pages_are_answered_at_once_while_a_clip_is_measured() {
    let folder = folder_with(&ALL);
    let server = Server::of(folder.path());
    let clip = server.send_sample();
    let id = server.order_sample(&clip);
    server.wait_until(&id, "running");
    let mut took = Vec::new();
    while server.state(&id) == "running" {
        let asked = Instant::now();
        assert_eq!(server.get("/").status, 200);
        took.push(asked.elapsed());
    }
    took.sort();
    println!(
        "{} pages, median {:?}, slowest {:?}",
        took.len(),
        took[took.len() / 2],
        took[took.len() - 1]
    );
    assert!(took[took.len() / 2] < Duration::from_millis(50), "{took:?}");
}

#[test]
fn two_hundred_connections_at_once_are_answered() {
    let folder = folder_with(&ALL);
    let server = Server::of(folder.path());
    let connect = || TcpStream::connect(("127.0.0.1", server.port)).unwrap();
    let mut streams: Vec<TcpStream> = (0..200).map(|_| connect()).collect();
    let request = format!(
        "GET /api/aircraft HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n",
        server.port
    );
    for stream in &mut streams {
        stream.write_all(request.as_bytes()).unwrap();
    }
    for mut stream in streams {
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    }
}

#[test]
fn a_sender_that_never_ends_its_header_keeps_nobody_out() {
    let folder = folder_with(&ALL);
    let server = Server::of(folder.path());
    let mut slow: Vec<TcpStream> = Vec::new();
    for _ in 0..100 {
        let mut stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
        stream.write_all(b"GET / HTTP/1.1\r\nHost: 127").unwrap();
        slow.push(stream);
    }
    assert_eq!(server.get("/").status, 200);
    // After ten seconds they are given up.
    slow[0]
        .set_read_timeout(Some(Duration::from_secs(15)))
        .unwrap();
    let mut rest = Vec::new();
    slow[0].read_to_end(&mut rest).unwrap();
}

#[test]
fn a_port_that_is_taken_and_a_folder_that_is_missing_are_refused_in_words() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let run = |arguments: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_hingewise"))
            .args(arguments)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2));
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let folder = folder_with(&[]);
    let folder = folder.path().to_str().unwrap();
    assert!(run(&["bench", folder, "--no-open", "--port", &port]).contains("--port"));
    assert!(run(&["bench", "no/such/folder", "--no-open"]).contains("is not a folder"));
}
