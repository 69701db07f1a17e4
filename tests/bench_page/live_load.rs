//! Live sessions under load: more frames than can be measured, and clients that never read.

use std::io::Write;
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use super::folder_with;
use super::server::Server;

/// Shape of the bundled profile, at a size that is quick to search.
const SIZE: (usize, usize) = (960, 540);

#[test]
fn of_two_hundred_frames_a_second_the_newest_are_measured_and_pages_are_answered() {
    let folder = folder_with(&["model.toml", "camera.toml"]);
    let server = Server::of(folder.path());
    let id = server.begin_live();
    let (measured, dropped) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let begun = Instant::now();
    let is_over = AtomicBool::new(false);
    let frames = format!("/api/live/{id}/frames");
    let mut took = Vec::new();
    std::thread::scope(|scope| {
        // Eight senders of 25 frames a second each.
        for _ in 0..8 {
            scope.spawn(|| {
                let frame = vec![128; SIZE.0 * SIZE.1];
                while !is_over.load(Ordering::Relaxed) {
                    let sent = Instant::now();
                    let time_s = begun.elapsed().as_secs_f64();
                    let answer = server.send_luma(&frames, time_s, SIZE, &frame);
                    match answer.status {
                        200 => {
                            match answer.json()["dropped"] == true {
                                true => dropped.fetch_add(1, Ordering::Relaxed),
                                false => measured.fetch_add(1, Ordering::Relaxed),
                            };
                        }
                        // A frame that another sender has overtaken.
                        status => assert_eq!(status, 409, "{}", answer.text()),
                    }
                    std::thread::sleep(Duration::from_millis(40).saturating_sub(sent.elapsed()));
                }
            });
        }
        while begun.elapsed() < Duration::from_secs(4) {
            let asked = Instant::now();
            assert_eq!(server.get("/").status, 200);
            took.push(asked.elapsed());
            std::thread::sleep(Duration::from_millis(20));
        }
        is_over.store(true, Ordering::Relaxed);
    });
    took.sort();
    let (measured, dropped) = (measured.into_inner(), dropped.into_inner());
    println!(
        "{measured} measured, {dropped} dropped, pages in {:?} at the median",
        took[took.len() / 2]
    );
    assert!(measured > 20, "{measured}");
    assert!(took[took.len() / 2] < Duration::from_millis(50), "{took:?}");
}

#[test]
fn clients_that_never_read_their_answers_keep_nobody_out() {
    let folder = folder_with(&["model.toml", "camera.toml"]);
    let server = Server::of(folder.path());
    let id = server.begin_live();
    let mut deaf = Vec::new();
    for number in 0..60 {
        let mut stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
        let head = format!(
            "POST /api/live/{id}/frames?time_s={number} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n\
             Content-Type: application/octet-stream\r\nX-Width: {}\r\nX-Height: {}\r\n\
             X-Range: full\r\nContent-Length: {}\r\n\r\n",
            server.port,
            SIZE.0,
            SIZE.1,
            SIZE.0 * SIZE.1
        );
        stream.write_all(head.as_bytes()).unwrap();
        // Half of them never send their picture either.
        if number % 2 == 0 {
            let _ = stream.write_all(&vec![128; SIZE.0 * SIZE.1]);
        }
        deaf.push(stream);
    }
    assert_eq!(server.get(&format!("/live/{id}")).status, 200);
    // A good frame is answered, measured or not.
    let frames = format!("/api/live/{id}/frames");
    let answer = server.send_luma(&frames, 100.0, SIZE, &vec![128; SIZE.0 * SIZE.1]);
    assert_eq!(answer.status, 200, "{}", answer.text());
}
